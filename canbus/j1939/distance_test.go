package j1939

import "testing"

// The end of the range is that of isobus.net's page on PGN 65096: the value
// after 4211081.215 m is 0.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []uint32
		metres float64
		resets int
	}{
		{"nothing", nil, 0, 0},
		{"one value", []uint32{965742}, 0, 0},
		{"forward", []uint32{1000, 1500, 4000}, 3, 0},
		{"standing", []uint32{1000, 1000}, 0, 0},
		{"over the end of the range", []uint32{4211081215, 0, 250}, 0.251, 0},
		{"over the end with a gap", []uint32{4211080216, 1000}, 2, 0},
		{"begun anew at power-up", []uint32{965742, 0, 500}, 0.5, 1},
	} {
		var d Distance
		for _, v := range c.values {
			d.Add(v)
		}
		if d.Metres() != c.metres || d.Resets() != c.resets {
			t.Errorf("%s: %v m and %d resets, want %v and %d", c.name, d.Metres(), d.Resets(), c.metres, c.resets)
		}
	}
}
