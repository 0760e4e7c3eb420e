package decode

import (
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// sane checks what must hold of any update, whatever the frame was.
func sane(t *testing.T, d *Decoder, updates []Update) {
	t.Helper()
	for _, u := range updates {
		info, r := u.ID.Info(), u.Reading
		switch {
		case r.Quality == signal.Good && !(r.Value >= info.Min && r.Value <= info.Max):
			t.Fatalf("%s = %v by %s is Good", u.ID, r.Value, d.RouteName(r.From.Route))
		case r.Quality == signal.Good && info.Flag && r.Value != 0 && r.Value != 1:
			t.Fatalf("%s = %v", u.ID, r.Value)
		case r.Quality != signal.Good && r.Value != 0, r.Quality == signal.Missing:
			t.Fatalf("%s is %v but has the value %v", u.ID, r.Quality, r.Value)
		}
	}
}

func hostileSettings() Settings {
	element := int64(7)
	return Settings{RotorElement: &element, Maps: []MapEntry{
		{Signal: "rotor_speed_rpm", PGN: number[int64](65301), StartBit: 7, Length: 64, ByteOrder: "big", Signed: true, Scale: number(1e300)},
		{Signal: "unloading", PGN: number[int64](61184), StartBit: 3, Length: 1, When: &When{8, 8, 2}},
		{Signal: "concave_mm", ID: number[int64](0x123), StartBit: 0, Length: 8},
	}}
}

// FuzzDecode reads the input as frames of fourteen bytes: identifier, flags and
// length, time since the last one, data.
func FuzzDecode(f *testing.F) {
	f.Add([]byte("\x00\x04\xf0\x0c\x80\x01\x20\x7d\x87\x48\x14\x00\xf0\x87"))
	f.Add([]byte("\x87\xf7\xcb\x0c\x80\xff\x73\x00\x86\x01\x00\x2d\x7d\x00"))
	f.Add([]byte("\x21\x15\xff\x0c\x80\x00\xff\xff\xff\xff\xff\xff\xff\x7f"))
	f.Add([]byte("\x23\x01\x00\x00\x08\x00\x19\x00\x00\x00\x00\x00\x00\x00"))
	f.Add([]byte("\x07\xca\xfe\x18\x80\x80\x04\xff\xd0\x05\x01\x02\xff\xff\x07\xca\xfe\x18\x80\x80\x04\xff\xd0\x05\x01\x02\xff\xff"))
	d, err := New(hostileSettings())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		d.Reset()
		var now signal.Instant
		for ; len(b) >= 14; b = b[14:] {
			now += signal.Instant(b[5]) * second / 20
			fr := canbus.Frame{At: now, Len: b[4] & 15, Interface: b[4] >> 4 & 7, Data: [8]byte(b[6:14])}
			fr.ID = uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 | uint32(b[3]&0x1F)<<24
			if b[4]&0x80 != 0 {
				fr.Flags = canbus.Extended
			}
			fr.Len = min(fr.Len, 8)
			sane(t, d, d.Decode(&fr))
			for id := range signal.ID(signal.Count) {
				if x, ok := d.Disagreement(id, now); ok && x.Since > now {
					t.Fatalf("%s disagrees since %d", id, x.Since)
				}
			}
		}
		for i, c := range d.Faults(now) {
			if c.SPN == 0 && c.FMI == 0 || c.Since > now || i > 0 && d.faults.active[i-1].key() >= d.faults.active[i].key() {
				t.Fatalf("%+v", c)
			}
		}
	})
}

func FuzzDecodeMessage(f *testing.F) {
	f.Add(uint32(j1939.GNSSPosition), uint8(3), make([]byte, 43))
	f.Add(uint32(j1939.EngineConfiguration), uint8(0), []byte("\x90\x1a\xa5\xa0\x41\xd2\xa0\x28\xdc\xe0\x2e\xe1\x40\x38\xdf\xc0\x44\xff\xff\x66\x08\xff"))
	f.Add(uint32(j1939.DM1), uint8(170), []byte("\xff\xff\xd2\x04\x1f\x01\x37\x02\x02\x01\xce\x22\x0c\x01"))
	f.Add(uint32(j1939.TimeDate), uint8(9), []byte("\xa4\x31\x16\x08\x1c\x26\x7d\x78"))
	d, err := New(Settings{})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, pgn uint32, source uint8, payload []byte) {
		d.Reset()
		sane(t, d, d.DecodeMessage(j1939.PGN(pgn), source, source, 255, payload, second))
		d.Engine()
		d.Faults(2 * second)
	})
}

// busFrames is a bus of a harvester at work: engine, speeds, position, process
// data, trouble codes, and the traffic that is none of our business.
func busFrames() []canbus.Frame {
	var frames []canbus.Frame
	add := func(id uint32, data string) {
		frames = append(frames, canbus.Frame{ID: id, Flags: canbus.Extended, Len: 8, Data: [8]byte(bytesOf(data))})
	}
	for i := range 20 {
		add(0x0CF00400, "207D87481400F087")
		add(0x0CF00400, "207D87481500F087")
		add(0x0CF00300, "D1FA6EFFFFFFFAFF")
		add(0x1CE6FF26, "0011223344556677") // terminal traffic
		add(0x1CE726F7, "0011223344556677")
		add(0x1CFFD421, "0011223344556677") // makers' own
		add(0x1CFFD521, "0011223344556677")
		add(0x0CFF1521, "0000D00CFFFFFFFF")
		add(0x0CFE48F0, "A00F6EBC0E00C855")
		add(0x0CF022F0, "A00F6EBC0E001E25")
		add(0x18EFF021, "0011223344556677")
		add(0x18FEF200, "A003FFFFFFFFFFFF")
		if i%2 == 0 {
			add(0x09F8011C, "3B349816CCEA08B7")
			add(0x09F8021C, "9BFC10272002FFFF")
		}
		if i%5 == 0 {
			add(0x0CCBF787, "1300570080DE8000")
			add(0x0CCBF787, "130062009B3A0000")
			add(0x0CCBF787, "1300EC0098010000")
			add(0x18FEEE00, "423BFFFFFFFFFFFF")
		}
		if i == 0 {
			add(0x18FECA00, "04FFD0050102FFFF")
			add(0x18CBFFF7, "FEFFFFFF010000FF")
		}
	}
	return frames
}

func workingSettings() Settings {
	m := rotorMap()
	m.PGN = number[int64](65301)
	return Settings{Maps: []MapEntry{m}}
}

func TestDecodeAllocatesNothing(t *testing.T) {
	d := mustNew(t, workingSettings())
	frames := busFrames()
	dm1 := bytesOf("FFFFD2041F0137020201CE220C01")
	fix := make([]byte, 43)
	now := signal.Instant(0)
	updates := 0
	if n := testing.AllocsPerRun(20, func() {
		for i := range frames {
			now += second / 1000
			frames[i].At = now
			updates += len(d.Decode(&frames[i]))
		}
		d.DecodeMessage(j1939.DM1, 0, 9, 255, dm1, now)
		d.DecodeMessage(j1939.EngineConfiguration, 0, 0, 255, dm1, now)
		d.DecodeMessage(j1939.GNSSPosition, 0, 0, 255, fix, now)
		updates += len(d.Faults(now))
	}); n != 0 {
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
	if updates == 0 {
		t.Error("nothing was decoded")
	}
}

func BenchmarkDecode(b *testing.B) {
	for name, frames := range map[string][]canbus.Frame{"harvester": busFrames(), "eec1": busFrames()[:1], "unknown": busFrames()[3:4]} {
		b.Run(name, func(b *testing.B) {
			d := mustNew(b, workingSettings())
			now, n := signal.Instant(0), 0
			for b.Loop() {
				f := &frames[n]
				if n++; n == len(frames) {
					n = 0
				}
				now += second / 1000
				f.At = now
				d.Decode(f)
			}
		})
	}
}
