package decode

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"go.einride.tech/can/pkg/dbc"

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
// databases of J1939 messages; any other address is matched.
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
			}
			slices.Sort(names)
			bad(fmt.Sprintf("no file has a signal %q", name), "take a name as it stands in the file"+problem.DidYouMean(name, slices.Compact(names)))
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

// found is a signal of a file.
type found struct {
	path    string
	message *dbc.MessageDef
	def     *dbc.SignalDef
	float   bool
	nested  bool // the file has more than one level of multiplexing
}

func (f *found) fullName() string { return string(f.message.Name) + "." + string(f.def.Name) }

// parseDBC lists the signals of a file. The parser is the library's; whatever
// it does with a strange file, this returns.
func parseDBC(f DBCFile) (all []found, err error) {
	defer func() {
		if p := recover(); p != nil {
			all, err = nil, fmt.Errorf("%s: the file cannot be understood: %v", f.Path, p)
		}
	}()
	if len(f.Text) > MaxDBCBytes {
		return nil, fmt.Errorf("%s: %d bytes are more than %d", f.Path, len(f.Text), MaxDBCBytes)
	}
	parser := dbc.NewParser(f.Path, asUTF8(f.Text))
	if bad := parser.Parse(); bad != nil {
		at := bad.Position()
		return nil, fmt.Errorf("%s:%d: %s", f.Path, at.Line, bad.Reason())
	}
	floats := map[string]bool{}
	nested := false
	for _, d := range parser.Defs() {
		switch d := d.(type) {
		case *dbc.SignalValueTypeDef:
			if d.SignalValueType != dbc.SignalValueTypeInt {
				floats[fmt.Sprint(d.MessageID, d.SignalName)] = true
			}
		case *dbc.UnknownDef:
			nested = nested || d.Keyword == "SG_MUL_VAL_"
		}
	}
	for _, d := range parser.Defs() {
		m, ok := d.(*dbc.MessageDef)
		if !ok || dbc.IsIndependentSignalsMessage(m) {
			continue
		}
		for i := range m.Signals {
			s := &m.Signals[i]
			all = append(all, found{f.Path, m, s, floats[fmt.Sprint(m.MessageID, s.Name)], nested})
		}
	}
	return all, nil
}

// asUTF8 reads a text that is not UTF-8 as Latin-1, in which many files write
// the degree sign: the parser takes UTF-8 alone.
func asUTF8(text []byte) []byte {
	if utf8.Valid(text) {
		return text
	}
	out := make([]byte, 0, len(text)+64)
	for _, b := range text {
		out = utf8.AppendRune(out, rune(b))
	}
	return out
}

// entry makes a map of a signal.
func (f *found) entry(id signal.ID) (MapEntry, error) {
	where := fmt.Sprintf("%s:%d: %s", f.path, f.def.Pos.Line, f.def.Name)
	switch {
	case f.float:
		return MapEntry{}, fmt.Errorf("%s is a floating-point number, which frames of machines do not carry", where)
	case f.message.Size > 8:
		return MapEntry{}, fmt.Errorf("%s is in a message of %d bytes; only frames of up to 8 are read", where, f.message.Size)
	case f.def.Size < 1 || f.def.Size > 32:
		return MapEntry{}, fmt.Errorf("%s has %d bits; 1 to 32 are read", where, f.def.Size)
	case f.def.IsMultiplexed && f.nested:
		return MapEntry{}, fmt.Errorf("%s is in a file with several levels of multiplexing", where)
	}
	k, ok := conversion(id.Info(), f.def.Unit)
	if !ok {
		return MapEntry{}, fmt.Errorf("%s is in %q, and %s is wanted in %q", where, f.def.Unit, id, id.Info().Unit)
	}
	scale := f.def.Factor * k.factor
	e := MapEntry{Signal: id.String(), StartBit: int64(f.def.StartBit), Length: int64(f.def.Size), Signed: f.def.IsSigned,
		ByteOrder: "little", Scale: &scale, Offset: f.def.Offset*k.factor + k.offset}
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

// address says which frames carry the message.
func (f *found) address(e *MapEntry) {
	id := int64(f.message.MessageID.ToCAN())
	if !f.message.MessageID.IsExtended() || id&0xFF != 0xFE {
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

// linear turns a unit into another: value x factor + offset.
type linear struct{ factor, offset float64 }

// conversions are the ways into the units of our signals. Factors are exact by
// definition of the units, or the nearest number to it.
var conversions = map[string]map[string]linear{
	"km/h": {"km/h": {1, 0}, "kmh": {1, 0}, "kph": {1, 0}, "m/s": {3.6, 0}, "mph": {1.609344, 0}, "kn": {1.852, 0}, "knots": {1.852, 0}},
	"rpm": {"rpm": {1, 0}, "1/min": {1, 0}, "r/min": {1, 0}, "rev/min": {1, 0}, "min-1": {1, 0}, "u/min": {1, 0},
		"1/s": {60, 0}, "hz": {60, 0}, "rps": {60, 0}},
	"%":   {"%": {1, 0}, "percent": {1, 0}, "pct": {1, 0}, "ppm": {1e-4, 0}},
	"L/h": {"l/h": {1, 0}, "lph": {1, 0}, "ml/s": {3.6, 0}, "gal/h": {3.785411784, 0}, "gph": {3.785411784, 0}},
	"Cel": {"cel": {1, 0}, "°c": {1, 0}, "degc": {1, 0}, "deg c": {1, 0}, "c": {1, 0}, "celsius": {1, 0},
		"k": {1, -273.15}, "kelvin": {1, -273.15}, "°f": {5.0 / 9, -160.0 / 9}, "degf": {5.0 / 9, -160.0 / 9}, "f": {5.0 / 9, -160.0 / 9}},
	"mm":  {"mm": {1, 0}, "cm": {10, 0}, "m": {1000, 0}, "in": {25.4, 0}, "inch": {25.4, 0}},
	"m":   {"m": {1, 0}, "mm": {1e-3, 0}, "cm": {1e-2, 0}, "km": {1000, 0}, "ft": {0.3048, 0}},
	"t/h": {"t/h": {1, 0}, "kg/s": {3.6, 0}, "kg/h": {1e-3, 0}, "g/s": {3.6e-3, 0}, "mg/s": {3.6e-6, 0}, "lb/s": {1.632932532, 0}},
	"deg": {"deg": {1, 0}, "°": {1, 0}, "degree": {1, 0}, "degrees": {1, 0}, "rad": {57.29577951308232, 0}},
}

func conversion(to *signal.Info, from string) (linear, bool) {
	from = strings.ToLower(strings.TrimSpace(from))
	if to.Flag {
		return linear{1, 0}, from == "" || from == "bit" || from == "bool" || from == "state"
	}
	k, ok := conversions[to.Unit][from]
	return k, ok
}
