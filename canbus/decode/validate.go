package decode

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// Validate says what is wrong with the entry, all at once. Index is its place
// among the maps, for the keys of the problems.
func (m *MapEntry) Validate(index int) []*problem.Problem {
	v := check{index: index}
	v.name(m)
	v.frame(m)
	v.sender(m)
	v.field(m)
	v.values(m)
	return v.found
}

// check gathers what is wrong with one entry.
type check struct {
	index int
	found []*problem.Problem
}

func (v *check) wrong(key, what, try string) {
	if key != "" {
		key = "." + key
	}
	v.found = append(v.found, &problem.Problem{Key: fmt.Sprintf("map[%d]%s", v.index, key), What: what, Try: try})
}

func (v *check) name(m *MapEntry) {
	if m.Signal == "" {
		v.wrong("signal", "signal is missing", "name the signal that the field carries, such as rotor_speed_rpm")
	} else if _, ok := signal.ByName(m.Signal); !ok {
		v.wrong("signal", fmt.Sprintf("%q is not a signal", m.Signal), nearest(m.Signal))
	}
}

func (v *check) frame(m *MapEntry) {
	switch {
	case m.PGN == nil && m.ID == nil:
		v.wrong("pgn", "neither pgn nor id is given", "give the parameter group number, such as pgn = 65301, or the whole identifier as id")
	case m.PGN != nil && m.ID != nil:
		v.wrong("id", "both pgn and id are given", "keep one of them")
	case m.PGN != nil && (*m.PGN < 0 || *m.PGN > 0x3FFFF || !j1939.PGN(*m.PGN).Valid()):
		v.wrong("pgn", fmt.Sprintf("%d is not a parameter group number", *m.PGN),
			"it has up to 18 bits, and those below 0xF000 in each page end in 00 (the destination is not part of it)")
	case m.ID != nil:
		if _, ok := j1939.ParseID(uint32(*m.ID)); *m.ID < 0 || *m.ID > 0x1FFFFFFF || !ok {
			v.wrong("id", fmt.Sprintf("%#x is not an identifier", *m.ID), "give 11 or 29 bits, such as 0x18FF1A21")
		}
	}
}

func (v *check) sender(m *MapEntry) {
	if m.Source != nil && (*m.Source < 0 || *m.Source > 253) {
		v.wrong("source", fmt.Sprintf("source is %d", *m.Source), "a sender has an address from 0 to 253")
	}
	if m.ID != nil && (m.Source != nil || m.SourceName != "") {
		v.wrong("source", "id names the sender already", "leave source and source_name out, or give pgn in place of id")
	}
	if m.SourceName == "" {
		return
	}
	if _, err := parseName(m.SourceName); err != nil {
		v.wrong("source_name", fmt.Sprintf("%q is not a NAME", m.SourceName), "give its 16 hexadecimal digits as the survey prints them")
	}
	if m.Source != nil {
		v.wrong("source_name", "both source and source_name are given", "keep one of them")
	}
}

func (v *check) field(m *MapEntry) {
	order, ok := byteOrder(m.ByteOrder)
	if !ok {
		v.wrong("byte_order", fmt.Sprintf("byte_order is %q", m.ByteOrder), `write "little" or "big"`)
	}
	long := m.long()
	v.place("", m.StartBit, m.Length, order, long)
	if m.ID != nil && *m.ID <= standardIDs && long {
		v.wrong("id", fmt.Sprintf("%#x has 11 bits, and such messages have one frame of up to eight bytes", *m.ID), "give a field of the frame, or another id")
	}
	if m.Signed && m.Length == 1 {
		v.wrong("signed", "a field of one bit has no sign", "leave signed out")
	}
	if m.Signed && m.Reserved {
		v.wrong("reserved", "the reserved ranges are those of unsigned fields", "leave reserved or signed out")
	}
	if w := m.When; w != nil {
		v.place("when.", w.StartBit, w.Length, order, long)
		if w.Equals < 0 || w.Length < 63 && w.Length > 0 && w.Equals >= 1<<w.Length {
			v.wrong("when.equals", fmt.Sprintf("%d does not fit in %d bits", w.Equals, w.Length), "give the value of the field that selects this layout")
		}
	}
}

// long tells whether the message is known to come in several frames: as a fast
// packet, or since the field lies behind the eighth byte.
func (m *MapEntry) long() bool {
	if m.several || m.StartBit > 63 {
		return true
	}
	if m.PGN != nil {
		return *m.PGN >= 0 && *m.PGN <= 0x3FFFF && j1939.FastPacketPGN(j1939.PGN(*m.PGN))
	}
	if m.ID == nil || *m.ID <= standardIDs || *m.ID > 0x1FFFFFFF {
		return false
	}
	id, ok := j1939.ParseID(uint32(*m.ID))
	return ok && j1939.FastPacketPGN(id.PGN)
}

func (v *check) place(prefix string, start, length int64, order canbus.ByteOrder, long bool) {
	const lastBit = 8*maxFieldBytes - 1
	if start < 0 || start > lastBit {
		v.wrong(prefix+"start_bit", fmt.Sprintf("start_bit is %d", start),
			fmt.Sprintf("count bits from 0, the least significant bit of byte 1, to 63, or to %d in a message of several frames", lastBit))
		return
	}
	if length < 1 || length > 64 {
		v.wrong(prefix+"length", fmt.Sprintf("length is %d", length), "give the width of the field in bits, 1 to 64")
		return
	}
	// A field that begins in the first eight bytes and ends behind them is
	// more often a slip than a field of a long message.
	const counting = "mind how bits are counted: little-endian fields start at their least significant bit, big-endian ones at their most significant"
	switch last, ok := fieldLastByte(start, length, order); {
	case !ok:
		v.wrong(prefix+"length", fmt.Sprintf("a field of %d bits from bit %d runs over byte %d", length, start, maxFieldBytes), counting)
	case last > 8 && start <= 63 && !long:
		v.wrong(prefix+"length", fmt.Sprintf("a field of %d bits from bit %d runs over the end of the frame", length, start),
			counting)
	}
}

func (v *check) values(m *MapEntry) {
	if s := m.Scale; s != nil && (*s == 0 || !finite(*s)) {
		v.wrong("scale", fmt.Sprintf("scale is %v", *s), "give what one step of the raw value is worth, in the signal's unit")
	}
	if !finite(m.Offset) {
		v.wrong("offset", fmt.Sprintf("offset is %v", m.Offset), "give a number")
	}
	id, known := signal.ByName(m.Signal)
	if !known {
		return
	}
	low, high := m.limits(id)
	if !(low < high) {
		v.wrong("min", fmt.Sprintf("min is %v and max is %v", low, high),
			fmt.Sprintf("min must be below max; %s goes from %v to %v %s", m.Signal, id.Info().Min, id.Info().Max, id.Info().Unit))
	}
}

// limits are the entry's own within those of the signal.
func (m *MapEntry) limits(id signal.ID) (low, high float64) {
	low, high = id.Info().Min, id.Info().Max
	if m.Min != nil {
		low = *m.Min
	}
	if m.Max != nil {
		high = *m.Max
	}
	return low, high
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func byteOrder(word string) (canbus.ByteOrder, bool) {
	switch word {
	case "", "little":
		return canbus.LittleEndian, true
	case "big":
		return canbus.BigEndian, true
	}
	return canbus.LittleEndian, false
}

func parseName(hex string) (j1939.Name, error) {
	if len(hex) != 16 {
		return 0, strconv.ErrSyntax
	}
	n, err := strconv.ParseUint(hex, 16, 64)
	return j1939.Name(n), err
}

// nearest suggests the signal whose name is most like a wrong one.
func nearest(wrong string) string {
	best, least := "", len(wrong)
	for i := range signal.Infos {
		name := signal.Infos[i].Name
		if d := distance(wrong, name); d < least {
			best, least = name, d
		}
	}
	if best == "" {
		return "see the list of signals in the manual"
	}
	return "did you mean " + best + "?"
}

// distance is the edit distance of two words (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := corner
			if a[i] != b[j] {
				cost++
			}
			corner = row[j+1]
			row[j+1] = min(cost, row[j]+1, corner+1)
		}
	}
	return row[len(b)]
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
