package find

import (
	"math"
	"math/bits"

	"chaffinch/canbus"
)

// What the log says of where fields begin and end, as natural logarithms. In
// a number that moves the lowest bit changes most often and each further bit
// less often; where a calm bit is followed by a lively one, another number
// begins. (The idea is as old as the reverse engineering of such buses: Marchetti
// and Stabili, READ, IEEE Transactions on Information Forensics and Security,
// 2019. From memory.)
const (
	goesOnBelow  = 3.0 // the bit below the field changes more often than its lowest
	noisyBelow   = 2.1 // both change like noise
	goesOnAbove  = 2.2 // the bit above the field changes less often than its highest
	livelyInside = 2.2 // a bit in the field changes more often than the one below it
	mostInside   = 7.0
	wholeBytes   = 1.0
	wholeEdge    = 0.3
)

// liveliness is how often each bit changes from one frame to the next, in an
// order of bytes.
type liveliness struct {
	rate    [64]float64
	both    [64]float64 // how often the bit and the one above it change at once
	varying uint64
	pairs   float64
}

func (s *stream) liveliness(order canbus.ByteOrder) (l liveliness) {
	l.varying = word(s.varying, order)
	if s.selected {
		l.varying &^= word(s.selector.mask(), order)
	}
	l.pairs = float64(len(s.pairs))
	if len(s.pairs) == 0 {
		return l
	}
	for _, i := range s.pairs {
		x := word(s.history[i].data^s.history[i+1].data, order)
		for y := x & (x >> 1); y != 0; y &= y - 1 {
			l.both[bits.TrailingZeros64(y)]++
		}
		for ; x != 0; x &= x - 1 {
			l.rate[bits.TrailingZeros64(x)]++
		}
	}
	for k := range l.rate {
		l.rate[k] /= l.pairs
		l.both[k] /= l.pairs
	}
	return l
}

// joined tells whether bit k and the one above it, which change seldom, do so
// together: then they are of one number.
func (l *liveliness) joined(k uint8) bool {
	a, b, both := l.rate[k], l.rate[k+1], l.both[k]
	return max(a, b) < 0.25 && both*l.pairs >= 3 && both > 0.2*max(a, b) && both > 4*a*b
}

// more tells whether bit a surely changes more often than bit b.
func (l *liveliness) more(a, b uint8) bool {
	x, y := l.rate[a], l.rate[b]
	return x-y > 2*math.Sqrt((x+y)/max(1, l.pairs))*0.7+1e-9
}

// noise tells whether a bit changes as often as not: where it stands in a
// number cannot be seen.
func (l *liveliness) noise(k uint8) bool {
	return l.rate[k] > 0.5-max(0.1, 1.5/math.Sqrt(max(1, l.pairs)))
}

// structure is how well the bits from low to high look like one number.
func (l *liveliness) structure(low, high uint8) (below, rest float64) {
	score := 0.0
	if low > 0 && l.varying>>(low-1)&1 == 1 {
		switch {
		case l.noise(low) && l.noise(low-1):
			score -= noisyBelow
		case l.more(low-1, low) || l.joined(low-1):
			score -= goesOnBelow
		}
	}
	below, score = score, 0
	if high < 63 && l.varying>>(high+1)&1 == 1 && (l.more(high, high+1) || l.noise(high) && l.noise(high+1) || l.joined(high)) {
		score -= goesOnAbove
	}
	inside := 0.0
	for k := low; k < high; k++ {
		if !l.noise(k) && l.more(k+1, k) {
			inside += livelyInside
		}
	}
	score -= min(mostInside, inside)
	switch aligned := low%8 == 0; {
	case aligned && (high+1)%8 == 0:
		score += wholeBytes
	case aligned || (high+1)%8 == 0:
		score += wholeEdge
	}
	return below, score
}

// cut is the score of a field that ends in the midst of bits that are all
// noise: it may be so, but then the bits below are noise by themselves.
func (l *liveliness) cut(low uint8) float64 {
	if low > 0 && l.varying>>(low-1)&1 == 1 && l.noise(low) && l.noise(low-1) {
		return -noisyBelow
	}
	return 0
}
