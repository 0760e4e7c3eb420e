package find

import (
	"math/bits"

	"chaffinch/canbus"
)

// The lengths that a field may have, in bits.
const (
	shortest = 8
	longest  = 32
)

// field is the bits low to high of a frame's data, taken as one number in its
// byte order: bit 0 is the least significant of byte 1 in little-endian order,
// of byte 8 in big-endian order.
type field struct {
	*stream
	order     canbus.ByteOrder
	low, high uint8
	signed    bool
}

func word(data uint64, order canbus.ByteOrder) uint64 {
	if order == canbus.BigEndian {
		return bits.ReverseBytes64(data)
	}
	return data
}

func (f *field) length() uint8 { return f.high - f.low + 1 }

// raw reads the field from a word in its order.
func (f *field) raw(w uint64) float64 {
	n := f.length()
	u := w >> f.low & (1<<n - 1)
	if f.signed {
		return float64(int64(u<<(64-n)) >> (64 - n))
	}
	return float64(u)
}

// of reads the field from data, and tells whether it holds a number: all ones
// mean "not available" (SAE J1939-71).
func (f *field) of(data uint64) (float64, bool) {
	w := word(data, f.order)
	n := f.length()
	ones := uint64(1)<<n - 1
	if !f.signed && n >= shortest && w>>f.low&ones == ones {
		return 0, false
	}
	return f.raw(w), true
}

// bits are those of the field, in little-endian order.
func (f *field) bits() uint64 { return word((1<<f.length()-1)<<f.low, f.order) }

// start is the field's first bit as DBC files count.
func (f *field) start() int { return startBit(f.order, int(f.low), int(f.high)) }

func startBit(order canbus.ByteOrder, low, high int) int {
	if order == canbus.LittleEndian {
		return low
	}
	p := 63 - high // from the most significant bit of byte 1
	return p/8*8 + 7 - p%8
}

// room is the highest bit that a field from low may reach without touching a
// bit that varies, the selector, or what is not sent.
func (s *stream) room(order canbus.ByteOrder, high uint8) uint8 {
	barrier := s.varying
	if s.selected {
		barrier |= s.selector.mask()
	}
	barrier = word(barrier, order)
	end := uint8(63)
	if order == canbus.LittleEndian {
		end = 8*s.bytes - 1
	}
	for high < end && barrier>>(high+1)&1 == 0 {
		high++
	}
	return high
}

// cores calls each with every field of the stream whose lowest and highest bits
// vary. Others are the same numbers, up to a constant: see extend.
func (s *stream) cores(each func(field)) {
	for _, order := range orders {
		varying := word(s.varying, order)
		if s.selected && s.selector.length == processSelect {
			if order == canbus.BigEndian {
				return // ISO 11783 is little-endian
			}
		}
		for low := uint8(0); low < 64; low++ {
			if varying>>low&1 == 0 {
				continue
			}
			for high := low; high < min(64, low+longest); high++ {
				if varying>>high&1 == 0 || order == canbus.BigEndian && high/8 == low/8 {
					continue // within a byte both orders are the same
				}
				if s.room(order, high) < low+shortest-1 {
					continue
				}
				each(field{s, order, low, high, false})
				if high > low {
					each(field{s, order, low, high, true})
				}
			}
		}
	}
}

var orders = [...]canbus.ByteOrder{canbus.LittleEndian, canbus.BigEndian}
