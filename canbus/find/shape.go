package find

import (
	"math"
	"slices"

	"chaffinch/canbus/signal"
)

// impossible is what a single value that the signal cannot have speaks against
// a field, as a natural logarithm.
const impossible = 2.5

const mostPairs = 400 // of neighbouring samples that are looked at

// shape is what a field does over the whole log.
type shape struct {
	jump    float64   // mean step between neighbours, over the range
	outside float64   // share of values that the signal can not have
	unused  float64   // share of values in the reserved range of SAE J1939-71, not counting "not available"
	series  []float64 // the signal at the start of each burst; NaN if absent
}

func (f *field) shape(l line, bursts int, id signal.ID) shape {
	s := shape{series: make([]float64, bursts)}
	for i := range s.series {
		s.series[i] = math.NaN()
	}
	info := id.Info()
	low, high := math.Inf(1), math.Inf(-1)
	var n, out, unused int
	margin := 0.02 * (info.Max - info.Min)
	for i := range f.history {
		h := &f.history[i]
		x, ok := f.of(h.data)
		if !ok {
			continue
		}
		n++
		v := l.at(x)
		low, high = min(low, x), max(high, x)
		switch {
		case !f.signed && f.length()%8 == 0 && uint64(x)>>(f.length()-8) > 0xFA:
			unused++
		case v < info.Min-margin || v > info.Max+margin:
			out++
		}
		if math.IsNaN(s.series[h.burst]) {
			s.series[h.burst] = v
		}
	}
	if n == 0 {
		return s
	}
	s.outside, s.unused = float64(out)/float64(n), float64(unused)/float64(n)
	var jumps float64
	var pairs int
	for _, i := range f.chosenPairs() {
		a, ok := f.of(f.history[i].data)
		b, ok2 := f.of(f.history[i+1].data)
		if ok && ok2 {
			jumps += math.Abs(b - a)
			pairs++
		}
	}
	if pairs > 0 && high > low {
		s.jump = jumps / float64(pairs) / (high - low)
	}
	return s
}

// chosenPairs is an even choice of the stream's neighbouring samples, in
// stretches that follow each other.
func (s *stream) chosenPairs() []int {
	if len(s.pairs) <= mostPairs {
		return s.pairs
	}
	const stretch = 20
	out := make([]int, 0, mostPairs)
	for i := range mostPairs / stretch {
		from := i * (len(s.pairs) - stretch) / (mostPairs/stretch - 1)
		out = append(out, s.pairs[from:from+stretch]...)
	}
	return out
}

// score is what the shape says, as a natural logarithm.
func (s *shape) score() float64 {
	score := -min(3, math.Log(1+s.jump/0.03)) - min(14, 40*s.outside) - min(3, 20*s.unused)
	if s.outside > 0 {
		score -= impossible
	}
	return score
}

// correlation is that of two series where both are known; 0 if they share
// fewer than eight values or one does not change.
func correlation(a, b []float64) float64 {
	var n, ma, mb float64
	for i := range a {
		if !math.IsNaN(a[i]) && !math.IsNaN(b[i]) {
			n++
			ma += a[i]
			mb += b[i]
		}
	}
	if n < 8 {
		return 0
	}
	ma, mb = ma/n, mb/n
	var aa, bb, ab float64
	for i := range a {
		if !math.IsNaN(a[i]) && !math.IsNaN(b[i]) {
			x, y := a[i]-ma, b[i]-mb
			aa += x * x
			bb += y * y
			ab += x * y
		}
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}

// partners are the standard signals that another one goes along with.
var partners = map[signal.ID]struct {
	pgn       uint32
	low, high uint8
	words     string
}{
	signal.RotorSpeed.ID:     {61444, 24, 39, "engine speed"},
	signal.FanSpeed.ID:       {61444, 24, 39, "engine speed"},
	signal.EngineSpeed.ID:    {61444, 24, 39, "engine speed"},
	signal.SeparationLoss.ID: {61443, 16, 23, "engine load"},
	signal.CleaningLoss.ID:   {61443, 16, 23, "engine load"},
	signal.CropLoss.ID:       {61443, 16, 23, "engine load"},
	signal.Returns.ID:        {61443, 16, 23, "engine load"},
	signal.GrainFlow.ID:      {61443, 16, 23, "engine load"},
	signal.FeederLoad.ID:     {61443, 16, 23, "engine load"},
	signal.FuelRate.ID:       {61443, 16, 23, "engine load"},
	signal.EngineTorque.ID:   {61443, 16, 23, "engine load"},
}

// partnerOf names the partner.
func partnerOf(id signal.ID) (ok bool, words string) {
	p, ok := partners[id]
	return ok, p.words
}

// partner is the series of the signal's partner, if it is on the bus.
func partner(streams []*stream, bursts int, id signal.ID) []float64 {
	p, ok := partners[id]
	if !ok {
		return nil
	}
	i := slices.IndexFunc(streams, func(s *stream) bool { return s.wide && !s.selected && s.id>>8&0x3FFFF == p.pgn })
	if i < 0 {
		return nil
	}
	f := field{stream: streams[i], low: p.low, high: p.high}
	return f.shape(line{1, 0}, bursts, id).series
}
