package survey

import (
	"slices"
	"time"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// node is a place on a bus.
type node struct{ Interface, Address uint8 }

// stream is what one node sends of one parameter group.
type stream struct {
	node
	pgn  j1939.PGN
	long bool // whole messages that came in several frames
}

// flow is how a stream comes.
type flow struct {
	count           int64
	shortest, bytes int // of payload; bytes is the longest
	last            time.Duration
	clockSteps      int             // before the last one
	intervals       []time.Duration // the first ones
}

// enoughIntervals tell rate and jitter well.
const enoughIntervals = 4096

// add takes a message that came after so much time of listening.
func (f *flow) add(at time.Duration, clockSteps, bytes int) {
	if f.count > 0 && clockSteps == f.clockSteps && len(f.intervals) < enoughIntervals {
		f.intervals = append(f.intervals, at-f.last)
	}
	if f.count == 0 {
		f.shortest = bytes
	}
	f.count++
	f.last, f.clockSteps = at, clockSteps
	f.shortest, f.bytes = min(f.shortest, bytes), max(f.bytes, bytes)
}

// rhythm is the median interval, and how near to it 95 % of the intervals are.
func (f *flow) rhythm() (periodMs, jitterMs float64) {
	if len(f.intervals) == 0 {
		return 0, 0
	}
	sorted := slices.Clone(f.intervals)
	slices.Sort(sorted)
	median := sorted[len(sorted)/2]
	for i := range sorted {
		sorted[i] = (sorted[i] - median).Abs()
	}
	slices.Sort(sorted)
	ms := func(d time.Duration) float64 { return float64(d) / 1e6 }
	return ms(median), ms(sorted[(len(sorted)-1)*95/100])
}

// talker is how much a node sends.
type talker struct {
	frames, bits int64
	last         time.Duration
}

// load is how full a bus is.
type load struct {
	frames, bits int64
	second, now  int64
	busiest      int64 // bits of a second
}

func (l *load) add(at signal.Instant, bits int64) {
	if second := int64(at) / int64(time.Second); second != l.second {
		l.second, l.now = second, 0
	}
	l.frames++
	l.bits += bits
	l.now += bits
	l.busiest = max(l.busiest, l.now)
}

// of returns the entry of a key, new if there is none yet.
func of[K comparable, V any](all map[K]*V, k K) *V {
	v := all[k]
	if v == nil {
		v = new(V)
		all[k] = v
	}
	return v
}
