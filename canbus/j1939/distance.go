package j1939

// Distance follows a free-running distance counter of ISO 11783-7 (wheel-based,
// ground-based, machine selected: PGN 65096, 65097, 61474). It counts in
// millimetres up to 4,211,081,215, the largest valid value, and then goes on
// from 0; at power-up it may begin anew at 0. The zero Distance is ready.
type Distance struct {
	last   uint32
	known  bool
	moved  uint64
	resets int
}

// distanceRange is how many values the counter has.
const distanceRange = 4_211_081_216

// Add takes a valid raw value, in millimetres.
//
// A step back of more than half the range is the end of the range; any other
// step back is a counter that began anew, and what was driven meanwhile is not
// known.
func (d *Distance) Add(raw uint32) {
	switch {
	case !d.known:
	case raw >= d.last:
		d.moved += uint64(raw - d.last)
	case d.last-raw > distanceRange/2:
		d.moved += uint64(raw) + distanceRange - uint64(d.last)
	default:
		d.resets++
	}
	d.last, d.known = raw, true
}

// Metres is the distance driven since the first value.
func (d *Distance) Metres() float64 { return float64(d.moved) / 1000 }

// Resets is how often the counter began anew.
func (d *Distance) Resets() int { return d.resets }
