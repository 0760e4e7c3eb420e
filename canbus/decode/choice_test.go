package decode

import (
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

func TestSpeedPreference(t *testing.T) {
	b := newBus(t, Settings{})
	// The least preferred first: each better source takes over at once.
	for _, f := range []struct {
		id, data, route string
		kmh             float64
	}{
		{"18FEF128", "FF000AFFFFFFFFFF", "PGN 65265 SPN 84", 10},
		{"0CFE4846", "A00F6EBC0E00C855", "PGN 65096 SPN 1862", 14.4},
		{"19F80252", "9BFC10272002FFFF", "PGN 129026", 19.584},
		{"0CFE4946", "A00F6EBC0E00FF01", "PGN 65097 SPN 1859", 14.4},
		{"0CF02246", "A00F6EBC0E001E25", "PGN 61474 SPN 4305", 14.4},
	} {
		b.frame(f.id, f.data)
		b.want(signal.GroundSpeed.ID, f.kmh, f.route)
	}
	if n := len(b.frame("18FEF128", "FF000AFFFFFFFFFF")); n != 0 {
		t.Error("a lesser source is let through")
	}
	changes, total := b.Changes(nil, 0)
	speed := 0
	for _, c := range changes {
		if c.Signal == signal.GroundSpeed.ID {
			speed++
		}
	}
	if speed != 5 || b.ChangeCount(signal.GroundSpeed.ID) != 4 {
		t.Errorf("%d changes, counted %d", speed, b.ChangeCount(signal.GroundSpeed.ID))
	}
	if more, _ := b.Changes(nil, total); len(more) != 0 {
		t.Errorf("changes seen twice: %v", more)
	}
}

func TestLesserSourceWaits(t *testing.T) {
	ground, wheel := "0CFE4946", "0CFE4846"
	good, none := "A00F6EBC0E00FF01", "FFFFFFFFFFFFFFFF"
	t.Run("until the present one is stale", func(t *testing.T) {
		b := newBus(t, Settings{})
		b.frame(ground, good)
		for b.now = 0; b.now <= 3*second; b.now += second / 10 {
			b.frame(wheel, good)
			route := "PGN 65097 SPN 1859"
			if b.now > signal.Instant(signal.GroundSpeed.ID.Info().MaxAge) {
				route = "PGN 65096 SPN 1862"
			}
			b.want(signal.GroundSpeed.ID, 14.4, route)
		}
	})
	t.Run("until the present one was not Good for two seconds", func(t *testing.T) {
		b := newBus(t, Settings{})
		b.frame(ground, good)
		for b.now = second / 10; b.now <= 3*second; b.now += second / 10 {
			b.frame(ground, none)
			b.frame(wheel, good)
			if b.now <= 2*second {
				b.wantQuality(signal.GroundSpeed.ID, signal.NotAvailable)
			} else {
				b.want(signal.GroundSpeed.ID, 14.4, "PGN 65096 SPN 1862")
			}
		}
		b.frame(ground, good)
		b.want(signal.GroundSpeed.ID, 14.4, "PGN 65097 SPN 1859") // back at once
	})
	t.Run("not at all for one that was never Good", func(t *testing.T) {
		b := newBus(t, Settings{})
		b.frame(ground, none)
		b.wantQuality(signal.GroundSpeed.ID, signal.NotAvailable)
		b.frame(wheel, good)
		b.want(signal.GroundSpeed.ID, 14.4, "PGN 65096 SPN 1862")
	})
}

func TestEngineGoesBeforeGateway(t *testing.T) {
	b := newBus(t, Settings{})
	b.frame("0CF004F0", "207D87481400F087") // sent again by a gateway at 240
	b.frame("0CF00400", "207D87481400F087")
	if from, _ := b.Source(signal.EngineSpeed.ID); from.Address != 0 {
		t.Errorf("engine speed comes from %d", from.Address)
	}
	if n := len(b.frame("0CF004F0", "207D87481400F087")); n != 0 {
		t.Error("the gateway is let through")
	}
}

func TestConfiguredOrder(t *testing.T) {
	b := newBus(t, Settings{Prefer: map[string][]string{
		"ground_speed_kmh": {"PGN 65265", "PGN 65096 SPN 1862 from 0x46"},
		"engine_speed_rpm": {"PGN 61444 from 240"},
	}})
	b.frame("0CF02246", "A00F6EBC0E001E25")
	b.frame("0CFE4845", "A00F6EBC0E00C855") // not from 0x46
	b.want(signal.GroundSpeed.ID, 14.4, "PGN 61474 SPN 4305")
	b.frame("0CFE4846", "A00F6EBC0E00C855")
	b.want(signal.GroundSpeed.ID, 14.4, "PGN 65096 SPN 1862")
	b.frame("18FEF128", "FF000AFFFFFFFFFF")
	b.want(signal.GroundSpeed.ID, 10, "PGN 65265 SPN 84")
	b.frame("0CF00400", "207D87481400F087")
	b.frame("0CF004F0", "207D87481400F087")
	if from, _ := b.Source(signal.EngineSpeed.ID); from.Address != 240 {
		t.Errorf("engine speed comes from %d", from.Address)
	}
}

func TestDisagreement(t *testing.T) {
	b := newBus(t, Settings{})
	b.frame("0CF00400", "207D87401F00F087") // 1000 rpm
	b.now = second / 2
	b.frame("0CF004F0", "207D87A02800F087") // 1300 rpm
	d, ok := b.Disagreement(signal.EngineSpeed.ID, b.now)
	if !ok || d.Since != b.now || d.Largest != 300 || d.Other.Address != 240 || d.Used.Address != 0 {
		t.Errorf("%+v %v", d, ok)
	}
	b.frame("0CF004F0", "207D87481F00F087") // 1001 rpm
	if d, ok := b.Disagreement(signal.EngineSpeed.ID, b.now); ok {
		t.Errorf("settled, but %+v", d)
	}
	b.frame("0CF004F0", "207D87A02800F087")
	if _, ok := b.Disagreement(signal.EngineSpeed.ID, b.now+5*second); ok {
		t.Error("old values disagree")
	}
	if _, ok := b.Disagreement(signal.Heading.ID, b.now); ok {
		t.Error("nothing was heard of heading")
	}
}

func TestLongitudesAcrossTheDateLine(t *testing.T) {
	b := newBus(t, Settings{})
	b.frame("09F8011C", "0090D003012EB694") // 179.9999999 west
	b.frame("09F8012A", "0090D003FFD1496B") // 179.9999999 east
	lon := signal.Longitude.ID
	if r := b.table.Get(lon); r.Quality != signal.Good || r.Value > -180+1 {
		t.Fatalf("longitude %v", r.Value)
	}
	if d, ok := b.Disagreement(lon, b.now); ok {
		t.Errorf("%+v", d)
	}
}

// More senders than places: the newest is passed over while the others are
// heard, and takes the place of the least recently heard once that is stale.
func TestMoreSourcesThanPlaces(t *testing.T) {
	b := newBus(t, Settings{})
	for a := range 8 {
		b.frame("0CFE494"+string(rune('0'+a)), "A00F6EBC0E00FF01")
	}
	b.now = second
	b.frame("0CFE4948", "A00F6EBC0E00FF01")
	if c := &b.choices[signal.GroundSpeed.ID]; c.n != 8 || c.candidates[1].from.Address != 0x41 {
		t.Errorf("%d places, address %#x in the second", c.n, c.candidates[1].from.Address)
	}
	b.now = 2 * second
	b.frame("0CFE4948", "A00F6EBC0E00FF01")
	if from, _ := b.Source(signal.GroundSpeed.ID); from.Address != 0x48 {
		t.Errorf("speed comes from %#x", from.Address)
	}
}

// A value of an 11-bit frame that is sent only on change has no sender to follow:
// it is as old as itself, and not older than everything.
func TestElevenBitsOnChangeKeepsItsPlace(t *testing.T) {
	m := MapEntry{Signal: "engine_speed_rpm", ID: number[int64](0x123), Length: 16, OnChange: true}
	b := newBus(t, Settings{Maps: []MapEntry{m}})
	f := canbus.Frame{ID: 0x123, Len: 2, Data: [8]byte{0xD0, 0x07}}
	b.keep(b.Decode(&f))
	b.now = second / 2
	b.frame("0CF00400", "FFFFFF6813FFFFFF")
	b.want(signal.EngineSpeed.ID, 2000, "map engine_speed_rpm")
	b.now = second + second/10
	b.frame("0CF00400", "FFFFFF6813FFFFFF")
	b.want(signal.EngineSpeed.ID, 621, "PGN 61444 SPN 190")
}
