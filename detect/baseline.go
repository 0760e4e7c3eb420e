package detect

import (
	"math"
)

// baseline is what a level usually is: the median, the robust standard
// deviation and the correlation time of its last quarter of an hour of healthy
// work, one mean a second. Medians do not follow a fault.
type baseline struct {
	ring  [900]float64
	next  int
	count int
	since int // values since it was last worked out

	known bool
	usual float64
	sd    float64
	tau   float64 // s
	work  [900]float64
}

const (
	// leastBaseline is 2 tau/e^2 for a correlation time of 1.5 s and an error of
	// the median of 0.1 standard deviations.
	leastBaseline = 300 // s
	baselineEvery = 30  // s
	blockSeconds  = 30
	tauSafety     = 1.3 // batch means find tau a little too small
	leastTau      = 0.5
	mostTau       = 5.0
	madToSD       = 1.4826
	mostUnsure    = 0.4
)

func (b *baseline) add(v float64) {
	b.ring[b.next] = v
	b.next = (b.next + 1) % len(b.ring)
	b.count = min(b.count+1, len(b.ring))
	if b.since++; b.count >= leastBaseline && (!b.known || b.since >= baselineEvery) {
		b.since = 0
		b.workOut()
	}
}

// full tells whether a whole quarter of an hour of work has been seen.
func (b *baseline) full() bool { return b.known && b.count == len(b.ring) }

// unsure widens what is over a usual level of less than a quarter of an hour: a
// few minutes of easy crop are not a day's.
func (b *baseline) unsure() float64 {
	return 1 + mostUnsure*(1-float64(b.count)/float64(len(b.ring)))
}

func (b *baseline) workOut() {
	all := b.ring[:b.count]
	work := b.work[:b.count]
	copy(work, all)
	b.usual = nth(work, b.count/2)
	mean, square := 0.0, 0.0
	for i, v := range all {
		d := v - mean
		mean += d / float64(i+1)
		square += d * (v - mean)
	}
	for i, v := range all {
		work[i] = math.Abs(v - b.usual)
	}
	b.sd = madToSD * nth(work, b.count/2)
	b.tau = b.correlation(mean, square/float64(b.count))
	b.known = true
}

// correlation is the correlation time by batch means: that of the first lag is
// far too short where noise is white and slow at once.
func (b *baseline) correlation(mean, variance float64) float64 {
	blocks, sum := b.count/blockSeconds, 0.0
	for i := range blocks {
		block := 0.0
		for _, v := range b.ring[i*blockSeconds : (i+1)*blockSeconds] {
			block += v
		}
		d := block/blockSeconds - mean
		sum += d * d
	}
	if variance < 1e-9 || blocks < 2 {
		return leastTau
	}
	tau := tauSafety * blockSeconds * sum / float64(blocks-1) / (2 * variance)
	return min(max(tau, leastTau), mostTau)
}

func ln(v float64) float64 { return math.Log(v) }
