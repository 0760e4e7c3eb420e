package decode

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// Settings is what the owner says about the bus.
type Settings struct {
	Maps []MapEntry
	// Prefer gives, by the name of a signal, its sources in order. A source is
	// a route's name or the beginning of it ("PGN 65097"), and may end in the
	// sender's address, followed by its NAME once that was heard:
	// "PGN 61444 SPN 190 from 0". Sources that are not named
	// come after, the owner's maps before the standard messages.
	Prefer map[string][]string
	// RotorElement is the device element whose revolutions (DDI 390) are those
	// of the threshing rotor. Without it a device descriptor pool must say so.
	RotorElement *int64
}

// Validate says what is wrong with the settings, all at once.
func (s *Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	if n := len(s.Maps); n > maxMaps {
		all = append(all, &problem.Problem{Key: "map", What: fmt.Sprintf("%d maps are more than %d", n, maxMaps),
			Try: "leave out those that are not needed; signals from databases count too"})
	}
	for i := range s.Maps {
		all = append(all, s.Maps[i].Validate(i)...)
	}
	strange := slices.ContainsFunc(s.Maps, func(m MapEntry) bool { _, ok := signal.ByName(m.Signal); return !ok })
	for id := range signal.ID(signal.Count) {
		for _, text := range s.Prefer[id.String()] {
			p, err := parsePreference(text)
			if err != nil {
				all = append(all, &problem.Problem{Key: "prefer." + id.String(), What: err.Error(),
					Try: `name a source as the survey does, such as "PGN 65097" or "PGN 61444 SPN 190 from 0"`})
				continue
			}
			if namesMap := p.name == "map" || strings.HasPrefix(p.name, "map "); namesMap && strange {
				continue // it may be that one
			}
			if known := s.routeNames(id); !slices.ContainsFunc(known, p.means) {
				try := "there are " + strings.Join(known, ", ")
				if len(known) == 0 {
					try = "no open message carries it: write a [[map]], or leave this out"
				}
				all = append(all, &problem.Problem{Key: "prefer." + id.String(), What: fmt.Sprintf("%s has no source %q", id, p.name), Try: try})
			}
		}
	}
	for _, name := range sortedKeys(s.Prefer) {
		if _, ok := signal.ByName(name); !ok {
			all = append(all, &problem.Problem{Key: "prefer." + name, What: "there is no signal of this name", Try: nearest(name)})
		}
	}
	if e := s.RotorElement; e != nil && (*e < 0 || *e > 4095) {
		all = append(all, &problem.Problem{Key: "rotor_element", What: fmt.Sprintf("rotor_element is %d", *e),
			Try: "give the number of the separator's device element, 0 to 4095"})
	}
	return all
}

// routeNames are the names of all ways to a signal, those of the maps first.
func (s *Settings) routeNames(id signal.ID) (names []string) {
	for i := range s.Maps {
		if s.Maps[i].Signal == id.String() {
			names = append(names, mapName(id, len(names)+1))
		}
	}
	for r := noRoute + 1; r < standardRoutes; r++ {
		if routes[r].signal == id {
			names = append(names, routes[r].name())
		}
	}
	return names
}

// preference is one entry of a configured order.
type preference struct {
	name string
	from sender
}

func parsePreference(text string) (preference, error) {
	name, from, has := strings.Cut(text, " from ")
	p := preference{name: strings.TrimSpace(name), from: senderAt(anyone)}
	if p.name == "" {
		return p, errors.New("a source without a name")
	}
	if has {
		a, err := strconv.ParseUint(strings.TrimSpace(from), 0, 8)
		if err != nil || a > 253 {
			return p, fmt.Errorf("%q is not an address from 0 to 253", from)
		}
		p.from = senderAt(int16(a))
	}
	return p, nil
}

// matches tells whether a route from an address is meant.
func (p *preference) matches(route string, face, address uint8) bool {
	return p.from.is(face, address) && p.means(route)
}

// means tells whether a route is meant, whoever sends it.
func (p *preference) means(route string) bool {
	return route == p.name || strings.HasPrefix(route, p.name+" ")
}

// When narrows a map to the frames of one multiplexed layout: those in which
// another field has a certain value.
type When struct {
	StartBit int64 `toml:"start_bit"`
	Length   int64 `toml:"length"`
	Equals   int64 `toml:"equals"`
}

// MapEntry is one [[map]] of the configuration: a field of a message that
// carries a signal. The message may come in one frame or in several, by a
// transport protocol or as a fast packet; the field lies in its first 64 bytes.
//
// Raw values are not tested against the reserved ranges of SAE J1939, since
// makers do not always keep to them. Only all ones in an unsigned field of 8,
// 16 or 32 bits means "not available". With Reserved set the ranges apply.
type MapEntry struct {
	Signal string `toml:"signal"`
	// PGN or ID names the frame. An ID of up to 11 bits is a standard frame; a
	// longer one is matched without its priority.
	PGN *int64 `toml:"pgn"`
	ID  *int64 `toml:"id"`
	// Source or SourceName says who sends it, if that matters: an address,
	// followed by its NAME once that was heard, or the NAME in 16 hex digits.
	Source     *int64 `toml:"source"`
	SourceName string `toml:"source_name"`

	// StartBit is as DBC counts, see canbus.Frame.Unsigned. From 64 on the field
	// is in a message that comes in several frames.
	StartBit  int64    `toml:"start_bit"`
	Length    int64    `toml:"length"`
	ByteOrder string   `toml:"byte_order"` // "little" (default) or "big"
	Signed    bool     `toml:"signed"`
	Scale     *float64 `toml:"scale"` // default 1
	Offset    float64  `toml:"offset"`
	Min       *float64 `toml:"min"` // in the signal's unit; default the signal's own limit
	Max       *float64 `toml:"max"`
	When      *When    `toml:"when"` // same byte order, unsigned
	Reserved  bool     `toml:"reserved"`
	OnChange  bool     `toml:"on_change"` // sent only on change: holds while its sender is heard

	several bool // the message is known to come in several frames
}

const standardIDs = 0x7FF // the largest identifier of 11 bits

// Wide is a 29-bit identifier as the ID of a MapEntry. One that would be read as of 11
// bits gets a priority, which is not looked at.
func Wide(id uint32) int64 {
	if id <= standardIDs {
		id |= 6 << 26
	}
	return int64(id)
}

// frame says which frames the entry is about.
func (m *MapEntry) frame() (pgn j1939.PGN, source, destination int16, ok bool) {
	source, destination = anyone, anyone
	if m.Source != nil {
		source = int16(*m.Source)
	}
	if m.PGN != nil {
		return j1939.PGN(*m.PGN), source, destination, true
	}
	i, ok := j1939.ParseID(uint32(*m.ID))
	if !ok {
		return 0, 0, 0, false
	}
	source = int16(i.Source)
	if !i.PGN.Broadcast() {
		destination = int16(i.Destination)
	}
	return i.PGN, source, destination, true
}
