package decode

import (
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// Two nodes tell the vehicle speed (PGN 65265 SPN 84, bytes 2 and 3, 1/256 km/h)
// and one of them the ground-based speed as not available: one of the three is
// in use, and all three are offered.
func TestEverySourceIsOffered(t *testing.T) {
	d, err := New(Settings{})
	if err != nil {
		t.Fatal(err)
	}
	var offered []signal.Reading[float64]
	d.Offered = func(id signal.ID, r *signal.Reading[float64]) {
		if id == signal.GroundSpeed.ID {
			offered = append(offered, *r)
		}
	}
	updates := 0
	for _, f := range []canbus.Frame{
		{ID: 0x18FEF100, Data: [8]byte{0xFF, 0, 5, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}},
		{ID: 0x18FEF117, Data: [8]byte{0xFF, 0, 7, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}},
		{ID: 0x18FE4917, Data: [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}},
	} {
		f.Len, f.Flags = 8, canbus.Extended
		updates += len(d.Decode(&f))
	}
	if updates != 1 || len(offered) != 3 {
		t.Fatalf("%d in use, %d offered", updates, len(offered))
	}
	if a, b, c := offered[0], offered[1], offered[2]; a.Value != 5 || b.Value != 7 || b.From.Address != 0x17 || c.Quality != signal.NotAvailable {
		t.Errorf("offered %v", offered)
	}
}
