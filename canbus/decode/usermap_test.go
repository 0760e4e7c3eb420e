package decode

import (
	"math"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

func number[T any](x T) *T { return &x }

func rotorMap() MapEntry {
	return MapEntry{Signal: "rotor_speed_rpm", PGN: number[int64](65301), StartBit: 16, Length: 16, Scale: number(0.25)}
}

func TestUserMap(t *testing.T) {
	with := func(change func(*MapEntry)) MapEntry {
		m := rotorMap()
		change(&m)
		return m
	}
	const frame = "0CFF1521" // PGN 65301 from 0x21
	for _, c := range []struct {
		name     string
		m        MapEntry
		id, data string
		value    float64
		q        signal.Quality
	}{
		{"little-endian", rotorMap(), frame, "0000D00CFFFFFFFF", 820, signal.Good},
		{"any priority", rotorMap(), "18FF1521", "0000D00CFFFFFFFF", 820, signal.Good},
		{"other group", rotorMap(), "0CFF1621", "0000D00CFFFFFFFF", 0, signal.Missing},
		{"big-endian", with(func(m *MapEntry) { m.ByteOrder, m.StartBit = "big", 23 }), frame, "00000CD0FFFFFFFF", 820, signal.Good},
		{"signed", with(func(m *MapEntry) { m.Signed, m.Offset = true, 1000 }), frame, "000060F0FFFFFFFF", 0, signal.Good},
		{"offset", with(func(m *MapEntry) { m.Offset = -20 }), frame, "0000D00CFFFFFFFF", 800, signal.Good},
		{"all ones are not available", rotorMap(), frame, "0000FFFFFFFFFFFF", 0, signal.NotAvailable},
		{"over the signal's own limit", rotorMap(), frame, "000000FEFFFFFFFF", 0, signal.OutOfRange},
		{"under its own minimum", with(func(m *MapEntry) { m.Min = number(100.0) }), frame, "00000400FFFFFFFF", 0, signal.OutOfRange},
		{"over its own maximum", with(func(m *MapEntry) { m.Max = number(800.0) }), frame, "0000D00CFFFFFFFF", 0, signal.OutOfRange},
		{"a raw value of the reserved range", with(func(m *MapEntry) { m.Scale = number(0.01) }), frame, "000000FEFFFFFFFF", 650.24, signal.Good},
		{"the same with reserved = true", with(func(m *MapEntry) { m.Scale, m.Reserved = number(0.01), true }), frame, "000000FEFFFFFFFF", 0, signal.SensorError},
		{"another source", with(func(m *MapEntry) { m.Source = number[int64](0x22) }), frame, "0000D00CFFFFFFFF", 0, signal.Missing},
		{"its source", with(func(m *MapEntry) { m.Source = number[int64](0x21) }), frame, "0000D00CFFFFFFFF", 820, signal.Good},
		{"whole identifier", with(func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](0x0CFF1521) }), "18FF1521", "0000D00CFFFFFFFF", 820, signal.Good},
		{"whole identifier of another", with(func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](0x0CFF1521) }), "0CFF1522", "0000D00CFFFFFFFF", 0, signal.Missing},
		{"to a destination", with(func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](0x0CEF2621) }), "0CEF2621", "0000D00CFFFFFFFF", 820, signal.Good},
		{"to another destination", with(func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](0x0CEF2621) }), "0CEF2721", "0000D00CFFFFFFFF", 0, signal.Missing},
		{"short frame", rotorMap(), frame, "0000D0", 0, signal.NotAvailable},
		{"its layout", with(func(m *MapEntry) { m.When = &When{0, 8, 3} }), frame, "0300D00CFFFFFFFF", 820, signal.Good},
		{"another layout", with(func(m *MapEntry) { m.When = &When{0, 8, 3} }), frame, "0400D00CFFFFFFFF", 0, signal.Missing},
		{"a frame too short to tell the layout", with(func(m *MapEntry) { m.When = &When{40, 8, 0} }), frame, "0300D00C", 0, signal.Missing},
		{"a known message", with(func(m *MapEntry) { m.PGN = number[int64](61444) }), "0CF00400", "0000D00CFFFFFFFF", 820, signal.Good},
	} {
		b := newBus(t, Settings{Maps: []MapEntry{c.m}})
		b.frame(c.id, c.data)
		r := b.table.Get(signal.RotorSpeed.ID)
		if r.Quality != c.q || math.Abs(r.Value-c.value) > 1e-9 {
			t.Errorf("%s: %v (%v), want %v (%v)", c.name, r.Value, r.Quality, c.value, c.q)
		}
		if c.q == signal.Good && b.RouteName(r.From.Route) != "map rotor_speed_rpm" {
			t.Errorf("%s: comes by %q", c.name, b.RouteName(r.From.Route))
		}
	}
}

func TestUserMapOfElevenBits(t *testing.T) {
	m := rotorMap()
	m.PGN, m.ID = nil, number[int64](0x123)
	b := newBus(t, Settings{Maps: []MapEntry{m}})
	b.frame("00000123", "0000D00CFFFFFFFF") // 29 bits
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
	f := canbus.Frame{ID: 0x123, Len: 8, Data: [8]byte(bytesOf("0000D00CFFFFFFFF"))}
	b.keep(b.Decode(&f))
	b.want(signal.RotorSpeed.ID, 820, "map rotor_speed_rpm")
}

func TestUserMapBeatsStandardMessages(t *testing.T) {
	m := MapEntry{Signal: "engine_speed_rpm", PGN: number[int64](65301), StartBit: 16, Length: 16, Scale: number(0.125)}
	second := m
	second.PGN = number[int64](65302)
	b := newBus(t, Settings{Maps: []MapEntry{m, second}})
	b.frame("0CF00400", "207D87481400F087")
	b.frame("0CFF1621", "0000803EFFFFFFFF")
	b.want(signal.EngineSpeed.ID, 2000, "map engine_speed_rpm #2")
	b.frame("0CFF1521", "0000403EFFFFFFFF")
	b.want(signal.EngineSpeed.ID, 1992, "map engine_speed_rpm")
	if n := len(b.frame("0CF00400", "F07D87481400FFFF")); n != 1 { // the torque alone
		t.Errorf("%d updates", n)
	}
}

func TestUserMapFollowsItsNode(t *testing.T) {
	m := rotorMap()
	m.Source = number[int64](0x21)
	b := newBus(t, Settings{Maps: []MapEntry{m}})
	b.claims(0x21, 77)
	b.claims(0x22, 88)
	b.claims(0x30, 77) // the node moves
	b.frame("0CFF1521", "0000D00CFFFFFFFF")
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
	b.frame("0CFF1530", "0000D00CFFFFFFFF")
	b.want(signal.RotorSpeed.ID, 820, "map rotor_speed_rpm")

	b.claims(0x30, 66) // a stranger takes its address
	b.keep(b.frame("0CFF1530", "00000C80FFFFFFFF"))
	b.wantQuality(signal.RotorSpeed.ID, signal.NotAvailable)

	m = rotorMap()
	m.SourceName = "A00E810000000001"
	b = newBus(t, Settings{Maps: []MapEntry{m}})
	b.frame("0CFF1521", "0000D00CFFFFFFFF")
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
	b.claims(0x21, 0xA00E810000000001)
	b.frame("0CFF1521", "0000D00CFFFFFFFF")
	b.want(signal.RotorSpeed.ID, 820, "map rotor_speed_rpm")
}

func TestFlagMapTakesOnlyZeroAndOne(t *testing.T) {
	m := MapEntry{Signal: "threshing_engaged", PGN: number[int64](65301), StartBit: 0, Length: 2}
	b := newBus(t, Settings{Maps: []MapEntry{m}})
	for data, q := range map[string]signal.Quality{"00": signal.Good, "01": signal.Good, "02": signal.OutOfRange, "03": signal.OutOfRange} {
		b.frame("0CFF1521", data)
		b.wantQuality(signal.ThreshingEngaged.ID, q)
	}
}

func TestValidateSaysAllThatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*MapEntry)
		keys   string // of the problems, in order
		says   string // part of the first
	}{
		{"nothing", func(*MapEntry) {}, "", ""},
		{"signal misspelt", func(m *MapEntry) { m.Signal = "rotor_sped_rpm" }, "signal", "did you mean rotor_speed_rpm?"},
		{"no signal", func(m *MapEntry) { m.Signal = "" }, "signal", "missing"},
		{"no frame", func(m *MapEntry) { m.PGN = nil }, "pgn", "neither pgn nor id"},
		{"two frames", func(m *MapEntry) { m.ID = number[int64](0x123) }, "id", "both"},
		{"a destination in the group", func(m *MapEntry) { m.PGN = number[int64](61185) }, "pgn", "destination"},
		{"group too large", func(m *MapEntry) { m.PGN = number[int64](1 << 18) }, "pgn", "18 bits"},
		{"identifier too large", func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](1<<29) }, "id", "29 bits"},
		{"identifier of 33 bits", func(m *MapEntry) { m.PGN, m.ID = nil, number[int64](1<<32|0x123) }, "id", "29 bits"},
		{"source beside id", func(m *MapEntry) { m.PGN, m.ID, m.Source = nil, number[int64](0x18FF1521), number[int64](1) }, "source", "already"},
		{"source too large", func(m *MapEntry) { m.Source = number[int64](254) }, "source", "253"},
		{"no NAME", func(m *MapEntry) { m.SourceName = "header" }, "source_name", "16 hexadecimal"},
		{"in a message of several frames", func(m *MapEntry) { m.StartBit = 64 }, "", ""},
		{"in a fast packet", func(m *MapEntry) { m.PGN, m.StartBit = number[int64](130816), 56 }, "", ""},
		{"in a fast packet, by its identifier", func(m *MapEntry) { m.PGN, m.ID, m.StartBit = nil, number[int64](0x19FF0021), 56 }, "", ""},
		{"start", func(m *MapEntry) { m.StartBit = 512 }, "start_bit", "511"},
		{"over byte 64", func(m *MapEntry) { m.StartBit = 504 }, "length", "byte 64"},
		{"behind the eighth byte of a frame", func(m *MapEntry) { m.PGN, m.ID, m.StartBit = nil, number[int64](0x123), 64 }, "id", "11 bits"},
		{"length", func(m *MapEntry) { m.Length = 0 }, "length", "1 to 64"},
		{"over the end", func(m *MapEntry) { m.StartBit = 56 }, "length", "runs over the end"},
		{"over the end, big-endian", func(m *MapEntry) { m.ByteOrder, m.StartBit = "big", 56 }, "length", "runs over the end"},
		{"byte order", func(m *MapEntry) { m.ByteOrder = "intel" }, "byte_order", `"little" or "big"`},
		{"scale", func(m *MapEntry) { m.Scale = number(0.0) }, "scale", "scale is 0"},
		{"not a number", func(m *MapEntry) { m.Scale, m.Offset = number(math.NaN()), math.Inf(1) }, "scale offset", "NaN"},
		{"limits", func(m *MapEntry) { m.Min = number(3000.0) }, "min", "below max"},
		{"layout", func(m *MapEntry) { m.When = &When{0, 4, 16} }, "when.equals", "does not fit in 4 bits"},
		{"layout's place", func(m *MapEntry) { m.When = &When{60, 8, 1} }, "when.length", "runs over"},
		{"reserved and signed", func(m *MapEntry) { m.Reserved, m.Signed = true, true }, "reserved", "unsigned"},
		{"much", func(m *MapEntry) { m.Signal, m.PGN, m.Length = "x", nil, 99 }, "signal pgn length", ""},
	} {
		m := rotorMap()
		c.change(&m)
		var keys []string
		problems := m.Validate(2)
		for _, p := range problems {
			keys = append(keys, strings.TrimPrefix(p.Key, "map[2]."))
			if p.What == "" || p.Try == "" {
				t.Errorf("%s: %+v", c.name, p)
			}
		}
		if got := strings.Join(keys, " "); got != c.keys {
			t.Errorf("%s: wrong are %q, want %q", c.name, got, c.keys)
		} else if len(problems) > 0 && !strings.Contains(problems[0].Error(), c.says) {
			t.Errorf("%s: %q does not say %q", c.name, problems[0].Error(), c.says)
		}
		if _, err := New(Settings{Maps: []MapEntry{m}}); (err == nil) != (c.keys == "") {
			t.Errorf("%s: New says %v", c.name, err)
		}
	}
}

func TestSettingsAreChecked(t *testing.T) {
	for _, s := range []Settings{
		{RotorElement: number[int64](4096)},
		{Prefer: map[string][]string{"speed": {"PGN 65096"}}},
		{Prefer: map[string][]string{"ground_speed_kmh": {"PGN 65096 from 300"}}},
		{Prefer: map[string][]string{"ground_speed_kmh": {""}}},
		{Prefer: map[string][]string{"ground_speed_kmh": {"PGN 65096", "PNG 65097"}}},
		{Prefer: map[string][]string{"ground_speed_kmh": {"PGN 6509"}}},           // no whole number
		{Prefer: map[string][]string{"ground_speed_kmh": {"PGN 61444 SPN 190"}}},  // of another signal
		{Prefer: map[string][]string{"rotor_speed_rpm": {"map rotor_speed_rpm"}}}, // there is no such map
		{Maps: []MapEntry{rotorMap()}, Prefer: map[string][]string{"rotor_speed_rpm": {"map rotor_speed_rpm #2"}}},
	} {
		if p := s.Validate(); len(p) != 1 {
			t.Errorf("%+v: %v", s, p)
		}
	}
	for _, s := range []Settings{
		{Prefer: map[string][]string{"ground_speed_kmh": {"PGN 65096", "DDI 397 from 240", "PGN 129026", "PGN 61474 SPN 4305"}}},
		{Maps: []MapEntry{rotorMap(), rotorMap()}, Prefer: map[string][]string{"rotor_speed_rpm": {"map rotor_speed_rpm #2", "DDI 390", "map rotor_speed_rpm"}}},
	} {
		if p := s.Validate(); len(p) != 0 {
			t.Errorf("%+v: %v", s, p)
		}
	}
	s := Settings{Prefer: map[string][]string{"fan_speed_rpm": {"DDI 390"}}}
	if p := s.Validate(); len(p) != 1 || !strings.Contains(p[0].Error(), "DDI 255") {
		t.Errorf("what there is is not said: %v", p)
	}
	s = Settings{Prefer: map[string][]string{"returns_pct": {"PGN 65280"}}}
	if p := s.Validate(); len(p) != 1 || !strings.Contains(p[0].Error(), "[[map]]") {
		t.Errorf("that there is none is not said: %v", p)
	}
}

func TestUserMapOfALongMessage(t *testing.T) {
	with := func(change func(*MapEntry)) MapEntry {
		m := MapEntry{Signal: "rotor_speed_rpm", PGN: number[int64](65301), StartBit: 72, Length: 16, Scale: number(0.25)}
		change(&m)
		return m
	}
	for _, c := range []struct {
		name    string
		m       MapEntry
		payload string
		value   float64
		q       signal.Quality
	}{
		{"little-endian", with(func(*MapEntry) {}), "000000000000000000D00C00", 820, signal.Good},
		{"big-endian", with(func(m *MapEntry) { m.ByteOrder, m.StartBit = "big", 79 }), "0000000000000000000CD000", 820, signal.Good},
		{"signed", with(func(m *MapEntry) { m.Signed, m.Offset = true, 1000 }), "00000000000000000060F000", 0, signal.Good},
		{"in its first bytes", with(func(m *MapEntry) { m.StartBit = 16 }), "0000D00C0000000000000000", 820, signal.Good},
		{"too short", with(func(*MapEntry) {}), "000000000000000000D0", 0, signal.NotAvailable},
		{"all ones", with(func(*MapEntry) {}), "000000000000000000FFFF00", 0, signal.NotAvailable},
		{"its layout", with(func(m *MapEntry) { m.When = &When{88, 8, 5} }), "000000000000000000D00C05", 820, signal.Good},
		{"another layout", with(func(m *MapEntry) { m.When = &When{88, 8, 5} }), "000000000000000000D00C06", 0, signal.Missing},
		{"too short to tell the layout", with(func(m *MapEntry) { m.When = &When{96, 8, 5} }), "000000000000000000D00C05", 0, signal.Missing},
		{"its sender", with(func(m *MapEntry) { m.Source = number[int64](0x21) }), "000000000000000000D00C00", 820, signal.Good},
		{"another sender", with(func(m *MapEntry) { m.Source = number[int64](0x22) }), "000000000000000000D00C00", 0, signal.Missing},
		{"another group", with(func(m *MapEntry) { m.PGN = number[int64](65302) }), "000000000000000000D00C00", 0, signal.Missing},
		{"nothing at all", with(func(*MapEntry) {}), "", 0, signal.NotAvailable},
	} {
		b := newBus(t, Settings{Maps: []MapEntry{c.m}})
		b.frame("18FF1521", "00000000000000D0") // a frame of the same group says nothing
		if c.m.StartBit > 63 {
			b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
		}
		b = newBus(t, Settings{Maps: []MapEntry{c.m}})
		b.keep(b.DecodeMessage(65301, 0, 0x21, 255, bytesOf(c.payload), b.now))
		if r := b.table.Get(signal.RotorSpeed.ID); r.Quality != c.q || r.Value != c.value {
			t.Errorf("%s: %v (%v), want %v (%v)", c.name, r.Value, r.Quality, c.value, c.q)
		}
	}
}

// Group 130816 is a fast packet (NMEA 2000): its frames hold counters, and are
// no messages. Its fields may lie over the eighth byte.
func TestUserMapOfAFastPacket(t *testing.T) {
	m := MapEntry{Signal: "rotor_speed_rpm", PGN: number[int64](130816), StartBit: 8, Length: 16, Scale: number(0.25)}
	over := m
	over.StartBit = 56
	b := newBus(t, Settings{Maps: []MapEntry{m}})
	b.frame("19FF0021", "00D00CD00CD00CD0")
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
	b.keep(b.DecodeMessage(130816, 0, 0x21, 255, bytesOf("00D00C0000000000"), b.now))
	b.want(signal.RotorSpeed.ID, 820, "map rotor_speed_rpm")
	b = newBus(t, Settings{Maps: []MapEntry{over}})
	b.keep(b.DecodeMessage(130816, 0, 0x21, 255, bytesOf("00000000000000D00C"), b.now))
	b.want(signal.RotorSpeed.ID, 820, "map rotor_speed_rpm")
}
