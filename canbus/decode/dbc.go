package decode

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"go.einride.tech/can/pkg/dbc"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// DBC is the [dbc] table of the configuration: signal databases in the DBC
// form, and which of their signals are which of ours.
type DBC struct {
	// Files are paths; a relative one counts from the configuration's folder.
	Files []string `toml:"files"`
	// Signals gives, by the name of a signal in a file, the name of ours. Where
	// several messages have a signal of that name, write MESSAGE.SIGNAL.
	Signals map[string]string `toml:"signals"`
}

// MaxDBCBytes is how large a file may be.
const MaxDBCBytes = 1 << 20

// DBCFile is a file that was read.
type DBCFile struct {
	Path string
	Text []byte
}

// Entries turns the wanted signals of the files into maps. Problems have keys
// under "dbc."; there is a map for each signal without one.
//
// A message with a 29-bit identifier is matched without its priority. A source
// address of FE, the null address, stands for any sender, as is usual in
// databases of J1939 messages; any other address is matched, and so is the
// destination of a message that has one. A message that is longer than a frame
// must be marked as a parameter group (attribute VFrameFormat, value J1939PG):
// it comes by a transport protocol or as a fast packet.
func (d DBC) Entries(files []DBCFile) ([]MapEntry, []*problem.Problem) {
	var all []found
	var wrong []*problem.Problem
	for i, f := range files {
		signals, err := parseDBC(f)
		if err != nil {
			wrong = append(wrong, &problem.Problem{Key: fmt.Sprintf("dbc.files.%d", i), What: err.Error(),
				Try: "mend the file there, or leave it out and write a [[map]] instead"})
			continue
		}
		all = append(all, signals...)
	}
	broken := len(wrong) > 0
	var entries []MapEntry
	for _, name := range sortedKeys(d.Signals) {
		bad := func(what, try string) {
			wrong = append(wrong, &problem.Problem{Key: "dbc.signals." + name, What: what, Try: try})
		}
		id, ok := signal.ByName(d.Signals[name])
		if !ok {
			bad(fmt.Sprintf("there is no signal %q", d.Signals[name]), nearest(d.Signals[name]))
			continue
		}
		var hits []found
		for _, s := range all {
			if name == string(s.def.Name) || name == s.fullName() {
				hits = append(hits, s)
			}
		}
		switch {
		case len(hits) == 0 && broken:
			continue // it may be in the file that cannot be read
		case len(hits) == 0:
			var names []string
			for _, s := range all {
				names = append(names, string(s.def.Name))
				if strings.Contains(name, ".") {
					names = append(names, s.fullName())
				}
			}
			slices.Sort(names)
			bad(fmt.Sprintf("no file has a signal %q", name), "take a name as it stands in the file"+problem.DidYouMean(name, slices.Compact(names)))
		case len(hits) > 1 && hits[0].fullName() == hits[1].fullName():
			bad(fmt.Sprintf("%q stands at %s:%d and at %s:%d", hits[0].fullName(), hits[0].path, hits[0].def.Pos.Line, hits[1].path, hits[1].def.Pos.Line),
				"leave one of them out")
		case len(hits) > 1:
			bad(fmt.Sprintf("%d messages have a signal %q: %s and %s", len(hits), name, hits[0].message.Name, hits[1].message.Name),
				fmt.Sprintf("write %q", hits[0].fullName()))
		default:
			e, err := hits[0].entry(id)
			if err != nil {
				bad(err.Error(), "write a [[map]] instead, with scale and offset")
				continue
			}
			entries = append(entries, e)
		}
	}
	return entries, wrong
}

// entry makes a map of a signal.
func (f *found) entry(id signal.ID) (MapEntry, error) {
	where := fmt.Sprintf("%s:%d: %s", f.path, f.def.Pos.Line, f.def.Name)
	switch {
	case f.float:
		return MapEntry{}, fmt.Errorf("%s is a floating-point number, which frames of machines do not carry", where)
	case strings.HasSuffix(f.format, "_FD"):
		return MapEntry{}, fmt.Errorf("%s is in a CAN FD message, and only those of classic CAN are read", where)
	case f.message.Size > 8 && !f.transported():
		return MapEntry{}, fmt.Errorf("%s is in a message of %d bytes, which is CAN FD if it is not a parameter group in several frames", where, f.message.Size)
	case f.def.Size < 1 || f.def.Size > 64:
		return MapEntry{}, fmt.Errorf("%s has %d bits; 1 to 64 are read", where, f.def.Size)
	case f.def.IsMultiplexed && f.nested:
		return MapEntry{}, fmt.Errorf("%s is in a message with several levels of multiplexing", where)
	}
	if last, ok := fieldLastByte(int64(f.def.StartBit), int64(f.def.Size), f.order()); !ok || uint64(last) > f.message.Size {
		return MapEntry{}, fmt.Errorf("%s does not fit in the %d bytes of its message", where, f.message.Size)
	}
	k, ok := conversion(id.Info(), f.def.Unit)
	if !ok {
		return MapEntry{}, fmt.Errorf("%s is in %q; %s can be made of %s", where, f.def.Unit, id, convertible(id.Info()))
	}
	scale := f.def.Factor * k.factor
	e := MapEntry{Signal: id.String(), StartBit: int64(f.def.StartBit), Length: int64(f.def.Size), Signed: f.def.IsSigned,
		ByteOrder: "little", Scale: &scale, Offset: f.def.Offset*k.factor + k.offset, several: f.message.Size > 8}
	if f.def.IsBigEndian {
		e.ByteOrder = "big"
	}
	if f.def.Minimum < f.def.Maximum {
		low, high := f.def.Minimum*k.factor+k.offset, f.def.Maximum*k.factor+k.offset
		info := id.Info()
		low, high = max(low, info.Min), min(high, info.Max)
		if low > high {
			return MapEntry{}, fmt.Errorf("%s has a range that %s cannot have", where, id)
		}
		e.Min, e.Max = &low, &high
	}
	f.address(&e)
	if f.def.IsMultiplexed {
		w, err := f.when()
		if err != nil {
			return MapEntry{}, fmt.Errorf("%s: %w", where, err)
		}
		e.When = w
	}
	if wrong := e.Validate(0); len(wrong) > 0 {
		return MapEntry{}, fmt.Errorf("%s: %s", where, wrong[0].What)
	}
	return e, nil
}

func (f *found) order() canbus.ByteOrder {
	if f.def.IsBigEndian {
		return canbus.BigEndian
	}
	return canbus.LittleEndian
}

// address says which frames carry the message.
func (f *found) address(e *MapEntry) {
	id := int64(f.message.MessageID.ToCAN())
	if !f.message.MessageID.IsExtended() || id&0xFF != 0xFE {
		if f.message.MessageID.IsExtended() {
			id = Wide(uint32(id))
		}
		e.ID = &id
		return
	}
	pgn := id >> 8 & 0x3FFFF
	if id>>16&0xFF < 240 {
		pgn &^= 0xFF // the low byte is a destination
	}
	e.PGN = &pgn
}

// when is the layout of a multiplexed signal. A [[map]] has one byte order for
// both fields, so a switch of the other order must lie within a byte.
func (f *found) when() (*When, error) {
	i := slices.IndexFunc(f.message.Signals, func(s dbc.SignalDef) bool { return s.IsMultiplexerSwitch })
	if i < 0 {
		return nil, errors.New("its message has no multiplexer switch")
	}
	s := &f.message.Signals[i]
	w := &When{StartBit: int64(s.StartBit), Length: int64(s.Size), Equals: int64(f.def.MultiplexerSwitch)}
	if s.IsBigEndian == f.def.IsBigEndian {
		return w, nil
	}
	low := w.StartBit
	if s.IsBigEndian {
		low = w.StartBit - w.Length + 1
	}
	if low < 0 || low/8 != (low+w.Length-1)/8 {
		return nil, errors.New("its multiplexer switch has the other byte order and lies over two bytes")
	}
	w.StartBit = low
	if f.def.IsBigEndian {
		w.StartBit = low + w.Length - 1
	}
	return w, nil
}
