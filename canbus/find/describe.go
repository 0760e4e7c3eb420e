package find

import (
	"math"
	"math/bits"

	"chaffinch/canbus"
)

// A describer tells in how few bits the samples of a stream can be told if its
// data are cut into numbers in a certain way.
type describer struct {
	*stream
	pairs  []int
	lively [2]liveliness // by byte order
	cost   map[place]float64
	below  [2][65]float64 // of the bits below one; NaN where not known yet
	above  [2][65]float64 // of the bits from one on
}

// place is a field without its stream.
type place struct {
	order     canbus.ByteOrder
	low, high uint8
	signed    bool
}

func newDescriber(s *stream) *describer {
	d := &describer{stream: s, pairs: s.chosenPairs(), cost: map[place]float64{}}
	for o := range d.below {
		d.lively[o] = s.liveliness(canbus.ByteOrder(o))
		for k := range d.below[o] {
			d.below[o][k], d.above[o][k] = math.NaN(), math.NaN()
		}
		d.below[o][0], d.above[o][64] = 0, 0
	}
	return d
}

// total is the bits a sample takes if f is one of its numbers and the rest is
// cut into numbers of the same byte order as cheaply as may be.
func (d *describer) total(f *field) float64 {
	return d.lowest(f.order, f.low) + d.number(place{f.order, f.low, f.high, f.signed}) + d.highest(f.order, f.high+1)
}

// lowest is the cheapest for the bits below end.
func (d *describer) lowest(order canbus.ByteOrder, end uint8) float64 {
	if c := d.below[order][end]; !math.IsNaN(c) {
		return c
	}
	best := math.Inf(1)
	for from := int(end) - 1; from >= max(0, int(end)-longest); from-- {
		if from == 0 || d.mayCut(order, uint8(from)) || from == int(end)-longest {
			best = min(best, d.lowest(order, uint8(from))+d.number(place{order, uint8(from), end - 1, false}))
		}
	}
	d.below[order][end] = best
	return best
}

// highest is the cheapest for the bits from start on.
func (d *describer) highest(order canbus.ByteOrder, start uint8) float64 {
	if c := d.above[order][start]; !math.IsNaN(c) {
		return c
	}
	best := math.Inf(1)
	for end := int(start) + 1; end <= min(64, int(start)+longest); end++ {
		if end == 64 || d.mayCut(order, uint8(end)) || end == int(start)+longest {
			best = min(best, d.number(place{order, start, uint8(end - 1), false})+d.highest(order, uint8(end)))
		}
	}
	d.above[order][start] = best
	return best
}

// mayCut tells whether a number may begin with bit k, which is not 0: it is
// livelier than the bit below, or one of them never changes. Within noise the
// place of a cut makes no difference; bytes stand for all.
func (d *describer) mayCut(order canbus.ByteOrder, k uint8) bool {
	l := &d.lively[order]
	switch {
	case l.noise(k) && l.noise(k-1):
		return k%8 == 0
	case l.rate[k] == 0 && l.rate[k-1] == 0:
		return false
	}
	return l.rate[k] > l.rate[k-1] || l.rate[k-1] == 0 || k%8 == 0
}

func (d *describer) number(p place) float64 {
	c, ok := d.cost[p]
	if !ok {
		c = d.bitCost(field{d.stream, p.order, p.low, p.high, p.signed})
		d.cost[p] = c
	}
	return c
}

// bitCost is how many bits a sample of the field takes if it is told by its
// difference from the one before, from what the two before it lead one to
// expect, or from the mean of those before, or bit by bit, whichever is least.
func (d *describer) bitCost(f field) float64 {
	l := &d.lively[f.order]
	single := 0.0
	for k := f.low; k <= f.high; k++ {
		single += l.flipCost(k)
	}
	if single == 0 || f.low == f.high {
		return single
	}
	var one, two, mean histogram
	n := 0
	last, before, average := 0.0, 0.0, 0.0
	for k, i := range d.pairs {
		next := f.raw(word(d.history[i+1].data, f.order))
		if k == 0 || d.pairs[k-1] != i-1 {
			last = f.raw(word(d.history[i].data, f.order))
			average, before = last, last
			if d.third {
				before = f.raw(word(d.history[i-1].data, f.order))
			}
		}
		average += 0.35 * (last - average)
		one.add(next - last)
		two.add(next - 2*last + before)
		mean.add(math.Round(next - average))
		before, last = last, next
		n++
	}
	best := min(one.cost(n), mean.cost(n))
	if d.third {
		best = min(best, two.cost(n))
	}
	return min(single, best)
}

// flipCost is how many bits a sample of a single bit takes, if it is told by
// whether it changed.
func (l *liveliness) flipCost(k uint8) float64 {
	p := l.rate[k]
	if math.Abs(p-0.5) < 1.3/math.Sqrt(max(1, l.pairs)) {
		p = 0.5 // as often as not, as far as can be told
	}
	if p == 0 || p == 1 {
		return 0
	}
	return -p*math.Log2(p) - (1-p)*math.Log2(1-p)
}

// histogram counts differences by size: the small ones singly, the others in
// quarters of an octave.
type histogram struct {
	counts [bins]int32
	top    int // bins used
}

const (
	singles = 8
	bins    = singles + 4*62
)

func (h *histogram) add(d float64) {
	u := uint64(math.Abs(d))
	bin := int(u)
	if u >= singles {
		n := bits.Len64(u)
		bin = singles + 4*(n-4) + int(u>>(n-3)&3)
	}
	h.counts[bin]++
	h.top = max(h.top, bin+1)
}

// binStart is the smallest difference that falls into a bin.
func binStart(bin int) float64 {
	if bin < singles {
		return float64(bin)
	}
	bin -= singles
	return float64(uint64(4+bin%4) << (bin/4 + 1))
}

// cost is what a difference costs, in bits. The differences are taken to be of
// several kinds at once, each with its own usual size: a mixture of Laplace
// distributions with sizes a factor of two apart, whose shares are learned by
// expectation maximisation.
func (h *histogram) cost(n int) float64 {
	if n == 0 || h.top == 1 {
		return 0
	}
	kinds := 4
	for size := 1.0; size < binStart(h.top-1); size *= 2 {
		kinds++
	}
	type filled struct {
		bin   int
		count float64
	}
	var use [bins]filled
	used := 0
	for b, c := range h.counts[:h.top] {
		if c > 0 {
			use[used] = filled{b, float64(c)}
			used++
		}
	}
	var share, next [mostKinds]float64
	kinds = min(kinds, mostKinds)
	for k := range kinds {
		share[k] = 1 / float64(kinds)
	}
	cost := 0.0
	for range 8 {
		clear(next[:kinds])
		cost = 0
		for _, u := range use[:used] {
			row := &densities[u.bin]
			p := 1e-300
			for k := range kinds {
				p += share[k] * row[k]
			}
			cost -= u.count * math.Log2(p)
			q := u.count / p
			for k := range kinds {
				next[k] += q * share[k] * row[k]
			}
		}
		for k := range kinds {
			share[k] = next[k] / float64(n)
		}
	}
	return cost / float64(n)
}

const mostKinds = 40

// densities is the chance of one difference of a bin under each kind. It is
// never written to.
var densities = func() (t [bins][mostKinds]float64) {
	for b := range t {
		from := binStart(b)
		width := 1.0
		if b+1 < bins {
			width = binStart(b+1) - from
		}
		for k := range mostKinds {
			size := 0.125 * math.Pow(2, float64(k))
			if b == 0 {
				t[b][k] = 1 - math.Exp(-0.5/size)
			} else { // one sign of the two
				t[b][k] = 0.5 * (math.Exp(-(from-0.5)/size) - math.Exp(-(from+width-0.5)/size)) / width
			}
		}
	}
	return t
}()
