package virtual

import (
	"math"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// undisturbed is a stretch of work without trouble.
func undisturbed(set string, hours float64) Scenario {
	s := Demo()
	s.Signals, s.Hours, s.Events = set, hours, nil
	return s
}

// Rates are those of SAE J1939-71, ISO 11783-7 and NMEA 2000, in ms.
func TestRates(t *testing.T) {
	every := map[uint32]float64{ // by id without priority
		0xF00400: 20, 0xF00300: 50, 0xFEDF00: 250, 0xFEF200: 100, 0xFEEE00: 1000, 0xFEE500: 1000, 0xFECA00: 1000,
		0xFE48F0: 100, 0xF022F0: 100, 0xFE46F0: 100, 0x1F8011C: 100, 0x1F8021C: 250, 0x1F0101C: 1000, 0xFEE6F0: 1000,
		0xFF1485: 100, 0xFF1585: 100, 0xFF16F3: 200, 0xFF17F1: 200, 0xFF1885: 1000, 0xCBFFF7: 2000,
	}
	count := map[uint32]int{}
	const hours = 0.2
	frames := live(New(undisturbed("full", hours), 1), func(f *canbus.Frame) { count[f.ID&0x3FFFFFF]++ })
	for id, ms := range every {
		want := hours * 3600e3 / ms
		if got := float64(count[id]); math.Abs(got-want) > 0.01*want+1 {
			t.Errorf("%07X: %.0f frames, want %.0f", id, got, want)
		}
	}
	// The engine's configuration takes an announcement and five packets.
	if got, want := count[0xECFF00], int(hours*3600/5); got < want-2 || got > want+2 {
		t.Errorf("%d broadcasts of the engine, want %d", got, want)
	}
	if perS := float64(frames) / (hours * 3600); perS < 350 || perS > 700 {
		t.Errorf("%.0f frames a second, want 350 to 700", perS)
	}
}

// At 250 kbit/s no second is more than 60 % full, start-up with the pool
// included; lengths on the wire are exact (ISO 11898-1).
func TestBusLoad(t *testing.T) {
	for _, machine := range []string{"compact", "giant"} {
		second, bits, most := int64(0), 0, 0
		live(New(Scenario{Machine: machine, Pool: true, Hours: 0.1}, 2), func(f *canbus.Frame) {
			if s := f.Stamp / 1e9; s != second {
				second, bits = s, 0
			}
			bits += canbus.FrameBits(f)
			most = max(most, bits)
		})
		if most > 150_000 || most < 40_000 {
			t.Errorf("%s: the busiest second has %d bits", machine, most)
		}
	}
}

// Every field of every message that the standards' tables know is a value or
// not available: nothing reserved, nothing out of range.
func TestFieldsAreInRange(t *testing.T) {
	for _, set := range []string{"full", "generic", "bare"} {
		bad := map[string]int{}
		live(New(undisturbed(set, 0.15), 3), func(f *canbus.Frame) {
			id, ok := j1939.ParseID(f.ID)
			if !ok {
				t.Fatalf("%08X is no identifier", f.ID)
			}
			m := j1939.Lookup(id.PGN)
			if m == nil || j1939.FastPacketPGN(id.PGN) {
				return
			}
			for i := range m.Fields {
				_, q := m.Fields[i].ReadFrame(j1939.LoadFrame(&f.Data), f.Len)
				if q != signal.Good && q != signal.NotAvailable {
					bad[m.Name+" "+m.Fields[i].Name+" "+q.String()]++
				}
			}
		})
		for what, n := range bad {
			t.Errorf("%s: %s in %d frames", set, what, n)
		}
	}
}

// The frames, decoded by the package that reads real machines, say what the
// machine does, at the usual settings and while levers move from others.
func TestDecodedSignalsAreTheMachine(t *testing.T) {
	t.Run("usual", func(t *testing.T) { decodedIsTheMachine(t, nil) })
	t.Run("set", func(t *testing.T) {
		decodedIsTheMachine(t, map[string]float64{"rotor_speed": 820, "concave": 7, "fan_speed": 1000, "upper_sieve": 19, "lower_sieve": 6, "cut_height": 320})
	})
}

func decodedIsTheMachine(t *testing.T, settings map[string]float64) {
	var entries []decode.MapEntry
	for _, m := range Maps("full") {
		pgn, source := int64(m.PGN), int64(m.Source)
		entries = append(entries, decode.MapEntry{Signal: m.Signal, PGN: &pgn, Source: &source, StartBit: int64(m.StartBit), Length: int64(m.Length),
			ByteOrder: m.ByteOrder, Signed: m.Signed, Scale: &m.Scale, Offset: m.Offset, Min: &m.Min, Max: &m.Max, Reserved: m.Reserved})
	}
	d, err := decode.New(decode.Settings{Maps: entries})
	if err != nil {
		t.Fatal(err)
	}
	sc := undisturbed("full", 0.1)
	sc.Settings = settings
	c := New(sc, 6)
	truth := map[string]func() float64{
		"engine_speed_rpm":    func() float64 { return c.eng.rpm },
		"engine_load_pct":     func() float64 { return c.eng.loadPct },
		"engine_torque_pct":   c.eng.torquePct,
		"fuel_rate_l_h":       func() float64 { return c.body.fuelLH },
		"coolant_c":           func() float64 { return c.body.coolantC },
		"ground_speed_kmh":    func() float64 { return c.speedMS * 3.6 },
		"rotor_speed_rpm":     c.rot.rpm,
		"fan_speed_rpm":       func() float64 { return c.Setting("fan_speed") * c.eng.rpm / c.eng.reference() },
		"concave_mm":          func() float64 { return c.Setting("concave") },
		"upper_sieve_mm":      func() float64 { return c.Setting("upper_sieve") },
		"lower_sieve_mm":      func() float64 { return c.Setting("lower_sieve") },
		"header_height_mm":    func() float64 { return c.body.headerMM },
		"cut_width_m":         func() float64 { return c.op.cutWidthM },
		"grain_flow_t_h":      func() float64 { return c.sense.grainTH },
		"grain_moisture_pct":  func() float64 { return c.flow.moistSeen },
		"separation_loss_pct": func() float64 { return c.sense.separation },
		"cleaning_loss_pct":   func() float64 { return c.sense.cleaning },
		"returns_pct":         func() float64 { return c.sense.returns },
		"broken_grain_pct":    func() float64 { return c.sense.broken },
		"trash_pct":           func() float64 { return c.sense.trash },
		"feeder_load_pct":     func() float64 { return c.sense.feeder },
		"latitude_deg":        c.field.latitude,
		"longitude_deg":       c.field.longitude,
		"altitude_m":          func() float64 { return c.field.heightM },
		"heading_deg":         func() float64 { return c.field.course() * 180 / math.Pi },
		"pitch_deg":           func() float64 { return math.Atan(c.field.grade) * 180 / math.Pi },
	}
	type sum struct {
		n, miss float64
		most    float64
	}
	errs := map[string]*sum{}
	transport := j1939.NewReassembler()
	moved := false
	var line canbus.Timeline
	see := func(updates []decode.Update) {
		for _, u := range updates {
			name := u.ID.String()
			want := truth[name]
			if want == nil || u.Reading.Quality != signal.Good {
				continue
			}
			if errs[name] == nil {
				errs[name] = &sum{}
			}
			e := errs[name]
			e.n++
			e.miss += math.Abs(u.Reading.Value - want())
			e.most = max(e.most, math.Abs(want()))
		}
	}
	for f := range c.Frames() {
		if settings != nil && !moved && c.tick >= 100*100 { // half way back
			moved = true
			for lever, v := range settings {
				usual := c.levers.usual
				if l, err := leverNamed(lever, &c.crop); err != nil || c.Set(lever, (v+usual[l])/2) != nil {
					t.Fatal(lever)
				}
			}
		}
		line.Place(f)
		see(d.Decode(f))
		if x, ok := transport.Feed(f, f.At); ok {
			see(d.DecodeMessage(x.PGN, x.Interface, x.Source, x.Destination, x.Payload, f.At))
		}
	}
	for name := range truth {
		e := errs[name]
		if e == nil {
			t.Errorf("%s was never heard", name)
			continue
		}
		// Noise and the age of a slow frame: a fiftieth of the largest value,
		// and what the sensor's own noise is.
		limit := 0.02*e.most + 0.3
		if mean := e.miss / e.n; mean > limit {
			t.Errorf("%s: off by %.3f on average, limit %.3f", name, mean, limit)
		}
	}
}

// Power from the bus (actual less friction torque, of reference torque, at
// engine speed: SAE J1939-71) is the engine's power.
func TestPowerFromTheBus(t *testing.T) {
	c := New(undisturbed("bare", 0.1), 8)
	transport := j1939.NewReassembler()
	var reference, torque, friction, rpm float64
	var heard, real, n float64
	for f := range c.Frames() {
		switch f.ID & 0x3FFFFFF {
		case 0xF00400:
			torque = float64(f.Data[2]) - 125
			rpm = float64(uint16(f.Data[3])|uint16(f.Data[4])<<8) * 0.125
			if reference > 0 && c.whatItDoes() == "cutting" {
				heard += (torque - friction) / 100 * reference * rpm / 9549.3
				real += c.eng.netKW()
				n++
			}
		case 0xFEDF00:
			friction = float64(f.Data[0]) - 125
		}
		if x, ok := transport.Feed(f, signal.Instant(f.Stamp)); ok && x.PGN == 0xFEE3 {
			if len(x.Payload) != 34 {
				t.Fatalf("%d bytes of engine configuration", len(x.Payload))
			}
			reference = float64(uint16(x.Payload[19]) | uint16(x.Payload[20])<<8)
		}
	}
	if n < 10000 {
		t.Fatalf("heard %.0f times", n)
	}
	near(t, "mean kW", heard/n, real/n, 0.02*real/n)
}

// The device descriptor pool arrives whole, by TP or by ETP, and says how wide
// the header is; nodes say who they are.
func TestPoolAndNames(t *testing.T) {
	for _, tc := range []struct {
		machine string
		kind    j1939.Kind
	}{{"compact", j1939.Addressed}, {"giant", j1939.Extended}} {
		s := Scenario{Machine: tc.machine, Pool: true, Hours: 0.02}
		transport := j1939.NewReassembler()
		pools := 0
		functions := map[[2]uint8]bool{}
		live(New(s, 3), func(f *canbus.Frame) {
			if f.ID>>16&0xFF == 0xEE {
				name, _ := j1939.ParseName(f.Data[:])
				functions[[2]uint8{name.Class(), name.Function()}] = true
			}
			x, ok := transport.Feed(f, signal.Instant(f.Stamp))
			if !ok || x.PGN != 0xCB00 {
				return
			}
			body, ok := processdata.PoolOf(x.Payload)
			if !ok {
				return
			}
			pools++
			if x.Kind != tc.kind {
				t.Errorf("%s: the pool of %d bytes came by %v", tc.machine, len(body), x.Kind)
			}
			pool, err := processdata.ParsePool(body)
			if err != nil {
				t.Fatal(err)
			}
			model := s.Model()
			if mm, ok := pool.HeaderWidth(); !ok || math.Abs(float64(mm)-1000*model.HeaderM) > 1 {
				t.Errorf("%s: the pool says %d mm", tc.machine, mm)
			}
		})
		if pools != 1 {
			t.Errorf("%s: %d pools", tc.machine, pools)
		}
		for _, want := range [][2]uint8{{0, 0}, {0, 3}, {0, 134}, {0, 130}, {7, 128}, {7, 129}, {7, 130}, {7, 131}, {7, 132}} {
			if !functions[want] {
				t.Errorf("%s: nobody claimed class %d function %d", tc.machine, want[0], want[1])
			}
		}
	}
}

// Two codes of one node come by broadcast, one as a frame, and the node says
// when the last is gone.
func TestFaultCodes(t *testing.T) {
	s := undisturbed("full", 0.04)
	s.Events = []Trouble{
		{At: 20, Kind: "fault-code", SPN: 1554, FMI: 18, Lamp: "stop", For: 60},
		{At: 40, Kind: "fault-code", SPN: 1493, FMI: 2, Lamp: "warning", For: 20},
	}
	transport := j1939.NewReassembler()
	var seen []int
	note := func(payload []byte) {
		d, ok := j1939.ParseDiagnostic(payload, make([]j1939.Code, 0, 8))
		if !ok {
			t.Fatal("no DM1")
		}
		n := 0
		for _, code := range d.Codes {
			if !code.None() {
				n++
			}
		}
		if len(seen) == 0 || seen[len(seen)-1] != n {
			seen = append(seen, n)
		}
	}
	live(New(s, 1), func(f *canbus.Frame) {
		if f.ID&0x3FFFFFF == 0xFECA00|addrMachine {
			note(f.Data[:])
		}
		if x, ok := transport.Feed(f, signal.Instant(f.Stamp)); ok && x.PGN == 0xFECA {
			note(x.Payload)
		}
	})
	want := []int{1, 2, 1, 0}
	if len(seen) != len(want) {
		t.Fatalf("codes %v, want %v", seen, want)
	}
	for i := range want {
		if seen[i] != want[i] {
			t.Fatalf("codes %v, want %v", seen, want)
		}
	}
}

func BenchmarkShift(b *testing.B) {
	frames := 0
	for b.Loop() {
		for range New(Random(1, 12), 1).Frames() {
			frames++
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e9/float64(frames), "ns/frame")
}
