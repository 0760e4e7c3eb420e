package decode

import (
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

func FuzzDBC(f *testing.F) {
	for _, name := range []string{"machine.dbc", "example.dbc"} {
		f.Add(string(dbcFile(f, name).Text))
	}
	f.Add("BO_ 1 A: 8 B\n SG_ X : 0|16@1+ (1,0) [0|0] \"rpm\" C\n")
	f.Add(strings.Repeat("BO_ ", 100))
	f.Fuzz(func(t *testing.T, text string) {
		entries, _ := DBC{Signals: map[string]string{"X": "rotor_speed_rpm", "RotorSpd": "fan_speed_rpm", "SepLoss": "separation_loss_pct"}}.Entries([]DBCFile{{"fuzz.dbc", []byte(text)}})
		d, err := New(Settings{Maps: entries})
		if err != nil {
			t.Fatalf("entries that were made cannot be used: %v", err)
		}
		d.Decode(&canbus.Frame{ID: 0x18FF2F21, Len: 8, Flags: canbus.Extended, Data: [8]byte{0xFF, 0xFF}})
	})
}
