package core

import (
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/signal"
	"chaffinch/internal/config"
)

// An owner's map may name a frame of 11 bits, which is no J1939.
func TestAMapOfAFrameOf11Bits(t *testing.T) {
	cfg := config.Default()
	id, scale := int64(0x123), 0.5
	cfg.Maps = []decode.MapEntry{{Signal: "rotor_speed_rpm", ID: &id, StartBit: 8, Length: 16, Scale: &scale}}
	var got float64
	c, err := New(cfg, Outputs{Reading: func(id signal.ID, r *signal.Reading[float64]) {
		if id == signal.RotorSpeed.ID && r.Quality == signal.Good {
			got = r.Value
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range []canbus.Frame{
		{ID: 0x122, Len: 8, Data: [8]byte{0, 1, 1}},
		{ID: 0x123, Len: 8, Flags: canbus.ErrorFrame, Data: [8]byte{0, 2, 2}},
		{ID: 0x123, Len: 8, Flags: canbus.Remote, Data: [8]byte{0, 3, 3}},
		{ID: 0x123, Len: 8, Data: [8]byte{0, 0x40, 0x06}},
	} {
		f.Stamp = int64(i) * 1e7
		c.Frame(&f)
	}
	if got != 800 {
		t.Errorf("rotor %v rpm, want 800", got)
	}
}
