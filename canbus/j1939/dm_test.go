package j1939

import (
	"strings"
	"testing"
	"time"
)

func TestLampUrgency(t *testing.T) {
	for b, want := range map[byte]Lamp{
		0xFF: NoLamp, 0x00: NoLamp, 0x01: ProtectLamp, 0x40: MalfunctionLamp, 0x04: WarningLamp,
		0x10: StopLamp, 0x57: StopLamp, 0x44: WarningLamp,
	} {
		if got := lamps(b).MostUrgent(); got != want {
			t.Errorf("lamps %02X: %v, want %v", b, got, want)
		}
	}
}

func TestDiagnosticTakesWhatFits(t *testing.T) {
	payload := append([]byte{4, 0xFF}, []byte(strings.Repeat("\x10\x02\x03\x01", 5))...)
	d, ok := ParseDiagnostic(payload, make([]Code, 0, 2))
	if !ok || len(d.Codes) != 2 || d.Dropped != 3 {
		t.Errorf("%d codes, %d dropped", len(d.Codes), d.Dropped)
	}
	if _, ok := ParseDiagnostic(payload[:5], nil); ok {
		t.Error("five bytes hold no code")
	}
	room := make([]Code, 0, 8)
	if n := testing.AllocsPerRun(100, func() { ParseDiagnostic(payload, room) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestWords(t *testing.T) {
	seen := map[string]bool{}
	for fmi := range uint8(32) {
		w := FMIWords(fmi)
		if w == "" || seen[w] {
			t.Errorf("FMI %d is called %q", fmi, w)
		}
		seen[w] = true
	}
	for spn, want := range map[uint32]string{
		1488: "threshing speed", 190: "engine speed", 2128: "node at address 128", 520200: "maker's own code 520200",
		400000: "SPN 400000", 0: "SPN 0", 100: "engine oil pressure", 2991: "returns volume",
	} {
		if got := SPNWords(spn); got != want {
			t.Errorf("SPN %d is called %q, want %q", spn, got, want)
		}
	}
}

// The same number means different things in different classes.
func TestFunctionsByClass(t *testing.T) {
	name := func(group, class, function uint64) Name { return Name(group<<60 | class<<49 | function<<40) }
	for n, want := range map[Name]string{
		name(2, 0, 130): "task controller", name(2, 7, 130): "product loss monitor", name(2, 0, 134): "tractor ECU",
		name(2, 7, 128): "tailings monitor", name(2, 7, 134): "product level", name(0, 0, 0): "engine", name(1, 0, 130): "",
		name(2, 0, 132): "",
	} {
		if got := n.FunctionWords(); got != want {
			t.Errorf("%016X: %q, want %q", uint64(n), got, want)
		}
	}
	if got := name(2, 7, 129).ClassWords(); got != "harvester" {
		t.Errorf("class 7: %q", got)
	}
}

func TestTimesThatAreNone(t *testing.T) {
	good := []byte{0xA4, 0x31, 0x16, 0x08, 0x1C, 0x26, 0x7D, 0x78}
	for i, bad := range map[int]byte{0: 240, 1: 60, 2: 24, 3: 13, 4: 125, 5: 0xFF} {
		b := append([]byte(nil), good...)
		b[i] = bad
		if _, ok := ParseTimeDate(b); ok {
			t.Errorf("byte %d = %d is taken for a time", i+1, bad)
		}
	}
	b := append([]byte(nil), good...)
	b[3], b[4] = 2, 120 // 30 February
	if _, ok := ParseTimeDate(b); ok {
		t.Error("30 February")
	}
	if _, _, ok := ParseSystemTime([]byte{0, 0xF0, 0xFF, 0xFF, 0, 0, 0, 0}); ok {
		t.Error("days not available")
	}
	utc, ok := daysAndTime([]byte{1, 0, 0, 0, 0, 0})
	if !ok || !utc.Equal(time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("day 1 is %v", utc)
	}
}

func FuzzDiagnostic(f *testing.F) {
	f.Add([]byte("\xff\xff\xd2\x04\x1f\x01\xff\xff"))
	f.Add([]byte("\xff\xff\xd2\x04\x1f\x01\x37\x02\x02\x01\xce\x22\x0c\x01"))
	f.Add([]byte{0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF})
	f.Fuzz(func(t *testing.T, payload []byte) {
		d, ok := ParseDiagnostic(payload, make([]Code, 0, 16))
		if !ok {
			return
		}
		if got, want := len(d.Codes)+d.Dropped, (len(payload)-2)/4; got != want {
			t.Fatalf("%d codes of %d", got, want)
		}
		for _, c := range d.Codes {
			if c.SPN > 0x7FFFF || c.FMI > 31 || c.Count > 127 || FMIWords(c.FMI) == "" || SPNWords(c.SPN) == "" {
				t.Fatalf("%+v", c)
			}
		}
	})
}

func FuzzPayloads(f *testing.F) {
	f.Add(uint32(61444), []byte("\xf3\x91\x91\xaa\x18\x00\xf3\xff"))
	f.Add(uint32(129029), make([]byte, 47))
	f.Add(uint32(65039), []byte("en\x0f\x04\x5a\x04US"))
	f.Fuzz(func(t *testing.T, pgn uint32, payload []byte) {
		if m := Lookup(PGN(pgn)); m != nil {
			for i := range m.Fields {
				m.Fields[i].Read(payload)
			}
		}
		ParseTimeDate(payload)
		ParseSystemTime(payload)
		ParseLanguage(payload)
		ParseFix(payload)
		ParseName(payload)
	})
}
