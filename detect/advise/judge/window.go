package judge

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// MaxSides is how many levels a comparison can watch beside the symptom.
const MaxSides = 6

// Second is one second of steady work: the means of that second.
type Second struct {
	At signal.Instant
	// Symptom is the level that was to be improved, in its own unit.
	Symptom float64
	// FeedTH is the feed that the symptom answers to, in t/h. Whoever knows the
	// delay of the sensor gives the feed of that much earlier.
	FeedTH        float64
	MoisturePct   float64 // of the grain
	MoistureKnown bool
	SpeedKmh      float64 // over ground
	// Sides are levels that the change may have made worse, in an order that the
	// caller keeps.
	Sides      [MaxSides]float64
	SidesKnown [MaxSides]bool
}

// blockS is how many seconds make a block, the grain in which a window
// remembers. It is shorter than what levels take to move by themselves, and
// long enough for the noise of single readings to go.
const blockS = 5

// longestPause is how far apart two seconds of one block may be.
const longestPause = 2 * time.Second

// maxBlocks bounds a window to a quarter of an hour.
const maxBlocks = 180

// MaxSeconds is the most that a window holds; then the oldest make room.
const MaxSeconds = maxBlocks * blockS

// block is the mean of blockS seconds.
type block struct {
	at       float64 // seconds since the window's origin
	symptom  float32
	feed     float32 // t/h
	moisture float32 // %; NaN if unknown in any of its seconds
	speed    float32 // km/h
	sides    [MaxSides]float32
}

// Window is a stretch of work with one setting: its last quarter of an hour at
// most. The zero Window is empty.
type Window struct {
	blocks [maxBlocks]block
	first  int // of the ring
	n      int

	origin, last signal.Instant
	sum          Second // of the block that is being filled
	sumAt        float64
	filled       int
}

// Reset empties w.
func (w *Window) Reset() {
	w.first, w.n, w.filled = 0, 0, 0
}

// Seconds is how many seconds w holds, 0 to MaxSeconds and a block.
func (w *Window) Seconds() int { return w.n*blockS + w.filled }

// Add puts in a second of steady work. One whose symptom or feed is no number,
// or that is not later than the last, is passed over. Pauses need not be told:
// a block that was not full before one is dropped.
func (w *Window) Add(s Second) {
	if !finite(s.Symptom) || !finite(s.FeedTH) {
		return
	}
	if w.n == 0 && w.filled == 0 {
		w.origin = s.At
	} else if s.At <= w.last {
		return
	} else if s.At.Sub(w.last) > longestPause {
		w.filled = 0
	}
	w.last = s.At
	if w.filled == 0 {
		w.sum, w.sumAt = Second{}, 0
	}
	w.filled++
	w.sumAt += s.At.Sub(w.origin).Seconds()
	w.sum.Symptom += s.Symptom
	w.sum.FeedTH += s.FeedTH
	w.sum.SpeedKmh += s.SpeedKmh
	w.sum.MoisturePct += known(s.MoisturePct, s.MoistureKnown)
	for i := range s.Sides {
		w.sum.Sides[i] += known(s.Sides[i], s.SidesKnown[i])
	}
	if w.filled == blockS {
		w.close()
	}
}

// close puts the full block into the ring.
func (w *Window) close() {
	b := block{
		at:       w.sumAt / blockS,
		symptom:  float32(w.sum.Symptom / blockS),
		feed:     float32(w.sum.FeedTH / blockS),
		moisture: float32(w.sum.MoisturePct / blockS),
		speed:    float32(w.sum.SpeedKmh / blockS),
	}
	for i := range b.sides {
		b.sides[i] = float32(w.sum.Sides[i] / blockS)
	}
	w.filled = 0
	if w.n < maxBlocks {
		w.blocks[(w.first+w.n)%maxBlocks] = b
		w.n++
		return
	}
	w.blocks[w.first] = b
	w.first = (w.first + 1) % maxBlocks
}

func (w *Window) block(i int) *block { return &w.blocks[(w.first+i)%maxBlocks] }

// known is v, or not a number where it is not known, so that a sum with it is
// not known either.
func known(v float64, ok bool) float64 {
	if !ok || !finite(v) {
		return math.NaN()
	}
	return v
}

// finite also keeps out what no level, feed or moisture can be.
func finite(v float64) bool { return math.Abs(v) < 1e9 }
