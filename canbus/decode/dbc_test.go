package decode

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.einride.tech/can"
	"go.einride.tech/can/pkg/dbc"
	"go.einride.tech/can/pkg/descriptor"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

func dbcFile(t testing.TB, name string) DBCFile {
	t.Helper()
	path := filepath.Join("..", "..", "testdata", "dbc", name)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return DBCFile{path, text}
}

func fromDBC(t *testing.T, file string, signals map[string]string) *Decoder {
	t.Helper()
	entries, wrong := DBC{Signals: signals}.Entries([]DBCFile{dbcFile(t, file)})
	if len(wrong) > 0 {
		t.Fatal(wrong[0])
	}
	d, err := New(Settings{Maps: entries})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// one decodes a frame and returns the reading of the signal.
func one(d *Decoder, f *canbus.Frame, id signal.ID) (signal.Reading[float64], bool) {
	for _, u := range d.Decode(f) {
		if u.ID == id {
			return u.Reading, true
		}
	}
	return signal.Reading[float64]{}, false
}

// Every signal of a database that was not made here, decoded by the library
// that ships it and by us, on random frames.
func TestDBCAgreesWithTheLibrary(t *testing.T) {
	file := dbcFile(t, "example.dbc")
	parser := dbc.NewParser(file.Path, file.Text)
	if err := parser.Parse(); err != nil {
		t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(1, 2))
	compared := map[string]int{}
	for _, def := range parser.Defs() {
		m, ok := def.(*dbc.MessageDef)
		if !ok {
			continue
		}
		for i := range m.Signals {
			s := &m.Signals[i]
			f := found{path: file.Path, message: m, def: s}
			s.Unit = "rpm" // most have no unit; the numbers are what is compared
			e, err := f.entry(signal.RotorSpeed.ID)
			if err != nil {
				t.Errorf("%s: %v", s.Name, err)
				continue
			}
			d, err := New(Settings{Maps: []MapEntry{e}})
			if err != nil {
				t.Fatal(err)
			}
			theirs := descriptor.Signal{Start: uint8(s.StartBit), Length: uint8(s.Size), IsBigEndian: s.IsBigEndian, IsSigned: s.IsSigned, Offset: s.Offset, Scale: s.Factor}
			for n := range 400 {
				frame := canbus.Frame{At: signal.Instant(n) * 1e8, ID: m.MessageID.ToCAN(), Len: uint8(m.Size), Data: [8]byte{}}
				for b := range m.Size {
					frame.Data[b] = byte(random.Uint32())
				}
				if e.When != nil {
					frame.Data[0] = frame.Data[0]&0xF0 | byte(e.When.Equals)
				}
				want := float64(theirs.UnmarshalUnsigned(can.Data(frame.Data)))
				if s.IsSigned {
					want = float64(theirs.UnmarshalSigned(can.Data(frame.Data)))
				}
				want = want*s.Factor + s.Offset
				got, ok := one(d, &frame, signal.RotorSpeed.ID)
				if !ok || got.Quality != signal.Good {
					continue // outside what a rotor can do, or all ones
				}
				compared[string(s.Name)]++
				if math.Abs(got.Value-want) > 1e-9*max(1, math.Abs(want)) {
					t.Errorf("%s: %X: %v, the library says %v", s.Name, frame.Data, got.Value, want)
				}
			}
		}
	}
	if len(compared) < 15 {
		t.Errorf("only %d signals were compared: %v", len(compared), compared)
	}
}

func TestDBCOfAMachine(t *testing.T) {
	d := fromDBC(t, "machine.dbc", map[string]string{
		"RotorSpd": "rotor_speed_rpm", "FanSpd": "fan_speed_rpm", "SepLoss": "separation_loss_pct", "LossStatus.CleanLoss": "cleaning_loss_pct", "OtherThermometer.Water": "coolant_c",
	})
	extended := func(id uint32, data ...byte) *canbus.Frame {
		f := &canbus.Frame{ID: id, Len: uint8(len(data)), Flags: canbus.Extended}
		copy(f.Data[:], data)
		return f
	}
	for _, c := range []struct {
		name  string
		frame *canbus.Frame
		id    signal.ID
		want  float64
		good  bool
	}{
		{"FE in the file is any sender, with any priority", extended(0x0CFF2F44, 0x40, 0x1F, 0x03, 0xE8, 0, 0, 0, 0), signal.RotorSpeed.ID, 1000, true},
		{"big-endian, from revolutions a second", extended(0x18FF2F44, 0x40, 0x1F, 0x05, 0xDC, 0, 0, 0, 0), signal.FanSpeed.ID, 900, true},
		{"all ones is no value", extended(0x18FF2F21, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0), signal.RotorSpeed.ID, 0, false},
		{"the page that says separation", extended(0x18FF3021, 0, 60, 0, 0, 0, 0, 0, 0), signal.SeparationLoss.ID, 30, true},
		{"the page that says cleaning", extended(0x18FF3021, 1, 60, 0, 0, 0, 0, 0, 0), signal.CleaningLoss.ID, 30, true},
		{"Fahrenheit", &canbus.Frame{ID: 292, Len: 8, Data: [8]byte{104}}, signal.Coolant.ID, 40, true},
	} {
		r, ok := one(d, c.frame, c.id)
		if c.good && (!ok || r.Quality != signal.Good || math.Abs(r.Value-c.want) > 1e-9) || !c.good && ok && r.Quality == signal.Good {
			t.Errorf("%s: %+v %v", c.name, r, ok)
		}
	}
	for name, frame := range map[string]*canbus.Frame{
		"another address than the file says": extended(0x18FF3022, 0, 60, 0, 0, 0, 0, 0, 0),
		"another page":                       extended(0x18FF3021, 1, 60, 0, 0, 0, 0, 0, 0),
	} {
		if _, ok := one(d, frame, signal.SeparationLoss.ID); ok {
			t.Errorf("%s was taken", name)
		}
	}
}

// Many files write the degree sign as Latin-1.
func TestDBCInLatin1(t *testing.T) {
	file := dbcFile(t, "machine.dbc")
	file.Text = []byte(strings.Replace(string(file.Text), `"degC"`, "\"\xb0C\"", 1))
	entries, wrong := DBC{Signals: map[string]string{"Thermometer.Water": "coolant_c"}}.Entries([]DBCFile{file})
	if len(wrong) > 0 || len(entries) != 1 {
		t.Errorf("%v %v", entries, wrong)
	}
}

// take reads signals from the text of a file.
func take(text string, signals map[string]string) ([]MapEntry, string) {
	entries, wrong := DBC{Signals: signals}.Entries([]DBCFile{{"f.dbc", []byte(text)}})
	var says []string
	for _, p := range wrong {
		says = append(says, p.Error())
	}
	return entries, strings.Join(says, "\n")
}

func TestDBCSaysWhatItCannotTake(t *testing.T) {
	const message = "BO_ 2566860798 A: 8 B\n"
	const speed = ` SG_ X : 0|16@1+ (1,0) [0|0] "rpm" C` + "\n"
	format := func(value string) string {
		return "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"ExtendedCAN\",\"reserved\",\"J1939PG\",\"ExtendedCAN_FD\";\n" +
			"BA_DEF_DEF_ \"VFrameFormat\" \"StandardCAN\";\nBA_ \"VFrameFormat\" BO_ 2566860798 " + value + ";\n"
	}
	for _, c := range []struct {
		name, text, want string
	}{
		{"nothing is wrong", message + speed, ""},
		{"no such name", message + strings.Replace(speed, " X ", " XY ", 1), `no file has a signal "X"`},
		{"more than 64 bits", message + ` SG_ X : 0|65@1+ (1,0) [0|0] "rpm" C`, "f.dbc:2: X has 65 bits; 1 to 64 are read"},
		{"no bits", message + ` SG_ X : 0|0@1+ (1,0) [0|0] "rpm" C`, "X has 0 bits"},
		{"over the end of its message", "BO_ 2566860798 A: 2 B\n" + ` SG_ X : 8|16@1+ (1,0) [0|0] "rpm" C`, "f.dbc:2: X does not fit in the 2 bytes"},
		{"a start that is no number of ours", message + ` SG_ X : 18446744073709551615|8@1+ (1,0) [0|0] "rpm" C`, "does not fit"},
		{"longer than a frame", "BO_ 2566860798 A: 12 B\n" + speed, "f.dbc:2: X is in a message of 12 bytes, which is CAN FD if"},
		{"marked as CAN FD", message + speed + format("4"), "f.dbc:2: X is in a CAN FD message"},
		{"floating point", message + ` SG_ X : 0|32@1- (1,0) [0|0] "rpm" C` + "\nSIG_VALTYPE_ 2566860798 X : 1;\n", "f.dbc:2: X is a floating-point number"},
		{"floating point, behind a statement that the parser passes over", message + ` SG_ X : 0|32@1- (1,0) [0|0] "rpm" C` + "\nSIG_GROUP_ 2566860798 G 1 : X;\nSIG_VALTYPE_ 2566860798 X : 1;\n", "floating-point"},
		{"a unit that is not known", message + ` SG_ X : 0|16@1+ (1,0) [0|0] "furlong" C`, `f.dbc:2: X is in "furlong"; rotor_speed_rpm can be made of 1/min`},
		{"no unit", message + ` SG_ X : 0|16@1+ (1,0) [0|0] "" C`, `X is in ""`},
		{"several levels of multiplexing", message + " SG_ P M : 16|2@1+ (1,0) [0|0] \"\" C\n SG_ Q m1M : 18|2@1+ (1,0) [0|0] \"\" C\n" +
			strings.Replace(speed, " X ", " X m1 ", 1) + "SG_MUL_VAL_ 2566860798 X Q 1-1;\n", "f.dbc:4: X is in a message with several levels"},
		{"several levels, without the list of them", message + " SG_ P M : 16|2@1+ (1,0) [0|0] \"\" C\n SG_ Q m1M : 18|2@1+ (1,0) [0|0] \"\" C\n" +
			strings.Replace(speed, " X ", " X m1 ", 1), "f.dbc:4: X is in a message with several levels"},
		{"several levels, but not for this signal", message + speed + " SG_ P M : 16|2@1+ (1,0) [0|0] \"\" C\n SG_ Q m1M : 18|2@1+ (1,0) [0|0] \"\" C\n", ""},
		{"several levels in another message", message + " SG_ P M : 16|2@1+ (1,0) [0|0] \"\" C\n" + strings.Replace(speed, " X ", " X m1 ", 1) + "SG_MUL_VAL_ 99 Z Q 1-1;\n", ""},
		{"multiplexed by nothing", message + strings.Replace(speed, " X ", " X m1 ", 1), "no multiplexer switch"},
		{"a range that the signal cannot have", message + ` SG_ X : 0|16@1+ (1,0) [90000|99000] "rpm" C`, "cannot have"},
		{"does not parse", message + " SG_ X : zero\n", "f.dbc:2: "},
		{"a statement without end", message + speed + "SIG_GROUP_ 1 G 1 : X\n", "f.dbc:3: the statement has no end"},
		{"an identifier of 30 bits", "BO_ 4294967295 A: 8 B\n" + speed, "f.dbc:1: "},
		{"too large", message + speed + strings.Repeat(" ", MaxDBCBytes), "more than 1048576"},
	} {
		entries, says := take(c.text, map[string]string{"X": "rotor_speed_rpm"})
		if c.want == "" && (says != "" || len(entries) != 1) || c.want != "" && (!strings.Contains(says, c.want) || len(entries) != 0) {
			t.Errorf("%s: %d maps; says %q, want %q", c.name, len(entries), says, c.want)
		}
	}
	text := message + speed + "BO_ 5 D: 8 B\n" + speed + "BO_ 6 Engine: 8 B\n" + strings.Replace(speed, " X ", " Speed ", 1)
	for names, want := range map[[2]string]string{
		{"X", "rotor_speed_rpm"}:           `write "A.X"`,
		{"Engine.Sped", "rotor_speed_rpm"}: `did you mean "Engine.Speed"?`,
		{"D.X", "rotor_speed_rmp"}:         "did you mean rotor_speed_rpm?",
		{"D.X", "separation_loss_pct"}:     "separation_loss_pct can be made of %, pct, percent, ppm",
		{"D.X", "rotor_speed_rpm"}:         "",
	} {
		if _, says := take(text, map[string]string{names[0]: names[1]}); !strings.Contains(says, want) || want == "" && says != "" {
			t.Errorf("%v: says %q, want %q", names, says, want)
		}
	}
	file := DBCFile{"f.dbc", []byte(message + speed)}
	_, wrong := DBC{Signals: map[string]string{"X": "rotor_speed_rpm"}}.Entries([]DBCFile{file, {"g.dbc", file.Text}})
	if len(wrong) != 1 || !strings.Contains(wrong[0].Error(), `"A.X" stands at f.dbc:2 and at g.dbc:2; leave one of them out`) {
		t.Errorf("the same message in two files: %v", wrong)
	}
}

// The library turns what is not available into the end of the range: 0xFFFF of
// a speed of 0 to 8031.875 rpm becomes 8031.875 rpm. Here it has no value.
func TestDBCDoesNotClamp(t *testing.T) {
	d := fromDBC(t, "machine.dbc", map[string]string{"RotorSpd": "rotor_speed_rpm"})
	theirs := descriptor.Signal{Length: 16, Scale: 0.125, Max: 8031.875}
	for _, raw := range []uint16{0xFFFF, 0xFE00, 0xFB00} {
		f := canbus.Frame{ID: 0x18FF2F21, Len: 8, Flags: canbus.Extended, Data: [8]byte{byte(raw), byte(raw >> 8)}}
		if got := theirs.ToPhysical(float64(raw)); got != 8031.875 {
			t.Fatalf("the library no longer clamps: %X is %v", raw, got)
		}
		if r, ok := one(d, &f, signal.RotorSpeed.ID); !ok || r.Quality == signal.Good || r.Value != 0 {
			t.Errorf("%X: %+v %v", raw, r, ok)
		}
	}
}

// The range is in the unit of the file; 0 to 0 is none.
func TestDBCRanges(t *testing.T) {
	for bounds, want := range map[string]signal.Quality{"[0|10]": signal.Good, "[0|9]": signal.OutOfRange, "[11|20]": signal.OutOfRange, "[0|0]": signal.Good} {
		entries, says := take("BO_ 100 A: 8 B\n SG_ X : 0|16@1+ (0.1,0) "+bounds+" \"1/s\" C\n", map[string]string{"X": "rotor_speed_rpm"})
		if says != "" {
			t.Fatal(says)
		}
		d, err := New(Settings{Maps: entries})
		if err != nil {
			t.Fatal(err)
		}
		r, ok := one(d, &canbus.Frame{ID: 100, Len: 8, Data: [8]byte{100}}, signal.RotorSpeed.ID)
		if !ok || r.Quality != want || want == signal.Good && r.Value != 600 {
			t.Errorf("%s: %+v", bounds, r)
		}
	}
}

// Wide fields, in both orders, against the library's reading of the bits.
func TestDBCWideFields(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		start, length uint8
		big           bool
	}{{0, 33, false}, {7, 48, false}, {0, 64, false}, {7, 64, true}, {21, 40, true}, {63, 1, false}} {
		order := 1
		if c.big {
			order = 0
		}
		text := fmt.Sprintf("BO_ 100 A: 8 B\n SG_ X : %d|%d@%d+ (1e-17,0) [0|0] \"rpm\" C\n", c.start, c.length, order)
		entries, says := take(text, map[string]string{"X": "rotor_speed_rpm"})
		if says != "" {
			t.Fatal(says)
		}
		d, err := New(Settings{Maps: entries})
		if err != nil {
			t.Fatal(err)
		}
		theirs := descriptor.Signal{Start: c.start, Length: c.length, IsBigEndian: c.big}
		for range 100 {
			f := canbus.Frame{ID: 100, Len: 8}
			binary.NativeEndian.PutUint64(f.Data[:], random.Uint64())
			want := float64(theirs.UnmarshalUnsigned(can.Data(f.Data))) * 1e-17
			if r, ok := one(d, &f, signal.RotorSpeed.ID); !ok || r.Quality != signal.Good || math.Abs(r.Value-want) > 1e-12*want {
				t.Errorf("%+v: %X: %+v, the library says %v", c, f.Data, r, want)
			}
		}
	}
}

// A parameter group in several frames: as SAE J1939-21 carries it.
func TestDBCOfALongParameterGroup(t *testing.T) {
	const format = "BA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"J1939PG\";\nBA_DEF_DEF_ \"VFrameFormat\" \"J1939PG\";\n"
	entries, says := take("BO_ 2566860798 A: 12 B\n"+
		" SG_ Early : 8|16@1+ (0.25,0) [0|0] \"rpm\" C\n SG_ Over : 56|16@1+ (0.25,0) [0|0] \"rpm\" C\n"+format,
		map[string]string{"Early": "fan_speed_rpm", "Over": "rotor_speed_rpm"})
	if says != "" {
		t.Fatal(says)
	}
	b := newBus(t, Settings{Maps: entries})
	b.frame("18FF2F21", "00D00C00000000D0")
	b.wantQuality(signal.FanSpeed.ID, signal.Missing) // a frame is not the whole of it
	b.keep(b.DecodeMessage(0xFF2F, 0, 0x21, 255, bytesOf("00D00C00000000C80C000000"), b.now))
	b.want(signal.FanSpeed.ID, 820, "map fan_speed_rpm")
	b.want(signal.RotorSpeed.ID, 818, "map rotor_speed_rpm")
}

func FuzzDBC(f *testing.F) {
	for _, name := range []string{"machine.dbc", "example.dbc"} {
		f.Add(string(dbcFile(f, name).Text))
	}
	f.Add("BO_ 1 A: 8 B\n SG_ X : 0|16@1+ (1,0) [0|0] \"rpm\" C\n")
	f.Add(strings.Repeat("BO_ ", 100))
	f.Add("BO_ 1 A: 8 B\n SG_ P m1M : 0|2@1+ (1,0) [0|0] \"\" C\nSG_MUL_VAL_ 1 X P 1-1;\nSIG_GROUP_ 1 \";\" X;\n")
	f.Fuzz(func(t *testing.T, text string) {
		entries, _ := DBC{Signals: map[string]string{"X": "rotor_speed_rpm", "RotorSpd": "fan_speed_rpm", "SepLoss": "separation_loss_pct"}}.Entries([]DBCFile{{"fuzz.dbc", []byte(text)}})
		d, err := New(Settings{Maps: entries})
		if err != nil {
			t.Fatalf("entries that were made cannot be used: %v", err)
		}
		d.Decode(&canbus.Frame{ID: 0x18FF2F21, Len: 8, Flags: canbus.Extended, Data: [8]byte{0xFF, 0xFF}})
	})
}

// A message of PGN 0 with priority 0 has a 29-bit identifier that would fit in 11 bits.
func TestDBCOfPGN0(t *testing.T) {
	text := "VERSION \"\"\nBO_ 2147483651 TSC: 8 X\n SG_ Spd : 8|16@1+ (0.125,0) [0|2000] \"rpm\" X\n"
	entries, wrong := DBC{Signals: map[string]string{"Spd": "rotor_speed_rpm"}}.Entries([]DBCFile{{"x.dbc", []byte(text)}})
	if len(wrong) > 0 {
		t.Fatal(wrong[0])
	}
	d, err := New(Settings{Maps: entries})
	if err != nil {
		t.Fatal(err)
	}
	f := canbus.Frame{ID: 0x0C000003, Flags: canbus.Extended, Len: 8, Data: [8]byte{0, 0xA0, 0x19}}
	if r, ok := one(d, &f, signal.RotorSpeed.ID); !ok || r.Value != 820 {
		t.Errorf("%+v, %v", r, ok)
	}
	f.ID, f.Flags = 3, 0
	if r, ok := one(d, &f, signal.RotorSpeed.ID); ok {
		t.Errorf("of 11 bits: %+v", r)
	}
}

// Some editors put a mark of the encoding before a text.
func TestDBCBehindAByteOrderMark(t *testing.T) {
	text := "\uFEFFVERSION \"\"\nBO_ 291 A: 8 X\n SG_ Spd : 8|16@1+ (0.125,0) [0|2000] \"rpm\" X\n"
	if _, wrong := (DBC{Signals: map[string]string{"Spd": "rotor_speed_rpm"}}).Entries([]DBCFile{{"x.dbc", []byte(text)}}); len(wrong) > 0 {
		t.Error(wrong[0])
	}
}
