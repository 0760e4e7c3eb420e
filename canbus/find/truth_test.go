package find

import (
	"math"
	"math/bits"

	"chaffinch/canbus"
)

// verdict on a choice against the truth.
type verdict struct {
	// right: the same frames and byte order, and at every moment the same number
	// to within a step of the field or of the display. (Bits below the lowest
	// that are noise can not be told from a neighbour's noise.)
	right bool
	exact bool // right, and no bit more or less that ever changes
	// usable: the map as it stands gives the signal to within some steps and 3 %.
	usable bool
}

func (b *madeBus) judge(c *Choice, frames []canbus.Frame) verdict {
	h := &b.hidden
	if h.message == nil || c.ID != h.message.id&(1<<26-1) {
		return verdict{}
	}
	if (c.Map.When != nil) != (h.message.pages > 1) || c.Map.When != nil && c.Map.When.Equals != int64(h.page) {
		return verdict{}
	}
	order := canbus.LittleEndian
	if c.ByteOrder == "big" {
		order = canbus.BigEndian
	}
	v := verdict{true, true, true}
	var truths, gots []float64
	for i := range frames {
		f := &frames[i]
		if f.ID != h.message.id || h.message.pages > 1 && int(f.Data[0]) != h.page {
			continue
		}
		w := uint64(0)
		for k := range f.Data {
			w |= uint64(f.Data[k]) << (8 * k)
		}
		if h.message.order == canbus.BigEndian {
			w = bits.ReverseBytes64(w)
		}
		truth := int64(w >> h.low & (1<<h.length - 1))
		if h.signed {
			truth = truth << (64 - h.length) >> (64 - h.length)
		}
		var got int64
		if c.Signed {
			got = f.Signed(uint8(c.StartBit), uint8(c.Length), order)
		} else {
			got = int64(f.Unsigned(uint8(c.StartBit), uint8(c.Length), order))
		}
		truths, gots = append(truths, float64(truth)), append(gots, float64(got))
		want := float64(truth)*h.scale + h.offset
		if off := math.Abs(float64(got)*c.Scale + c.Offset - want); off > 1.5*h.step+2*h.scale+0.03*math.Abs(want) {
			v.usable = false
		}
		if v.exact && got-int64(gots[0]) != truth-int64(truths[0]) {
			v.exact = false
		}
	}
	// A field with k more bits below has values 2^k as large.
	v.right = false
	for k := -24; k <= 24 && !v.right; k++ {
		factor := math.Pow(2, float64(k))
		low, high := math.Inf(1), math.Inf(-1)
		for i := range truths {
			off := gots[i]*factor - truths[i]
			low, high = min(low, off), max(high, off)
		}
		v.right = high-low <= max(1, h.step/h.scale)
	}
	return v
}
