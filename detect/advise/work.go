package advise

import (
	"math"
	"slices"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/machine"
)

// measure numbers a level by which something is judged.
type measure uint8

const (
	separationLevel measure = iota
	cleaningLevel
	cropLevel
	returnsLevel
	brokenLevel
	trashLevel
	loadLevel
	speedLevel  // km/h
	unevenLevel // how far the feed is off its mean, %
	sagLevel    // how far the rotor was under its mean, %
	measureCount
	noMeasure
)

// measures are the signals among them, and how many seconds after the crop has
// entered the rotor they show it (common practice, no source; the separation
// and shoe sensors by the delays of the trade's tables).
var measures = [measureCount]struct {
	id     signal.ID
	signal bool
	delayS int
}{
	separationLevel: {signal.SeparationLoss.ID, true, 2},
	cleaningLevel:   {signal.CleaningLoss.ID, true, 5},
	cropLevel:       {signal.CropLoss.ID, true, 4},
	returnsLevel:    {signal.Returns.ID, true, 6},
	brokenLevel:     {signal.BrokenGrain.ID, true, 10},
	trashLevel:      {signal.Trash.ID, true, 10},
	loadLevel:       {signal.EngineLoad.ID, true, 0},
}

// second is one second of steady work.
type second struct {
	at       signal.Instant
	level    [measureCount]float64
	heard    [measureCount]bool
	feed     float64 // t/h, NaN if not known
	moisture float64 // %, NaN if not known
	speed    float64 // km/h
}

// work remembers the seconds of steady work with the present settings, the
// newest quarter of an hour of them.
type work struct {
	ring  []second
	first int
	n     int
}

const workSeconds = judge.MaxSeconds

func newWork() work { return work{ring: make([]second, workSeconds)} }

func (w *work) clear() { w.first, w.n = 0, 0 }

func (w *work) add(s *second) {
	if w.n < len(w.ring) {
		w.ring[(w.first+w.n)%len(w.ring)] = *s
		w.n++
		return
	}
	w.ring[w.first] = *s
	w.first = (w.first + 1) % len(w.ring)
}

// at is the i-th second, oldest first.
func (w *work) at(i int) *second { return &w.ring[(w.first+i)%len(w.ring)] }

// take becomes a copy of another.
func (w *work) take(from *work) {
	copy(w.ring, from.ring)
	w.first, w.n = from.first, from.n
}

// by is what a level is brought to the same of before it is compared.
type by uint8

const (
	byFeed      by = iota
	byThickness    // of the crop, feed over ground speed: where it is the speed that was changed
	byNothing
)

// thickKMH is the ground speed at which a thickness of crop is told as a feed.
const thickKMH = 6.0

// span is a range of values.
type span struct{ low, high float64 }

var anything = span{math.Inf(-1), math.Inf(1)}

func (s span) has(v float64) bool { return v >= s.low && v <= s.high }

func (s span) both(o span) span { return span{max(s.low, o.low), min(s.high, o.high)} }

// spanOf is the range that all but a twentieth of the values at either end lie in.
func (w *work) spanOf(of func(*second) float64) span {
	values := make([]float64, 0, w.n)
	for i := range w.n {
		if v := of(w.at(i)); finite(v) {
			values = append(values, v)
		}
	}
	if len(values) < judge.LeastSeconds {
		return span{}
	}
	slices.Sort(values)
	return span{values[len(values)/20], values[len(values)-1-len(values)/20]}
}

// alike fills the windows of a trial with only those seconds whose feed and
// ground speed both of them have seen. ok is false where they have hardly any in
// common.
func (a *Adviser) alike(sides []measure) (ok bool) {
	byFeed := func(s *second) float64 { return s.feed }
	bySpeed := func(s *second) float64 { return s.speed }
	feed := a.before.spanOf(byFeed).both(a.work.spanOf(byFeed))
	speed := a.before.spanOf(bySpeed).both(a.work.spanOf(bySpeed))
	if feed.low >= feed.high || speed.low >= speed.high {
		return false
	}
	if a.trial.changesFeed() {
		speed = anything
	}
	info := &symptoms[a.trial.of]
	a.before.fillWithin(&a.windows[0], info.level, sides, a.same(&a.trial), feed, speed)
	a.work.fillWithin(&a.windows[1], info.level, sides, a.same(&a.trial), feed, speed)
	return a.windows[0].Seconds() >= 2*judge.LeastSeconds && a.windows[1].Seconds() >= 2*judge.LeastSeconds
}

// fill puts what is remembered into a window of the judge. Feed is that of the
// crop that the level shows; a level that feed is not to explain gets none.
func (w *work) fill(into *judge.Window, m measure, sides []measure, same by) {
	w.fillWithin(into, m, sides, same, anything, anything)
}

// fillWithin is fill with seconds of a feed and a ground speed in a range only.
func (w *work) fillWithin(into *judge.Window, m measure, sides []measure, same by, feeds, speeds span) {
	into.Reset()
	if m >= measureCount {
		return
	}
	delay := measures[m].delayS
	for i := range w.n {
		s := w.at(i)
		if !s.heard[m] {
			continue
		}
		feed, speed := 1.0, s.speed
		if same != byNothing {
			j := i - delay
			if j < 0 || s.at.Sub(w.at(j).at) > time.Duration(delay+2)*time.Second {
				continue
			}
			feed = w.at(j).feed
			if !feeds.has(feed) && feeds != anything || !speeds.has(speed) {
				continue
			}
			if same == byThickness {
				feed, speed = feed*thickKMH/max(w.at(j).speed, 0.5), thickKMH
			}
		}
		one := judge.Second{At: s.at, Symptom: s.level[m], FeedTH: feed, SpeedKmh: speed}
		if !math.IsNaN(s.moisture) {
			one.MoisturePct, one.MoistureKnown = s.moisture, true
		}
		for k, side := range sides {
			one.Sides[k], one.SidesKnown[k] = s.level[side], s.heard[side]
		}
		into.Add(one)
	}
}

// mean is the mean of a level over the newest seconds.
func (w *work) mean(newest int, of func(*second) (float64, bool)) (float64, bool) {
	sum, n := 0.0, 0
	for i := max(0, w.n-newest); i < w.n; i++ {
		if v, ok := of(w.at(i)); ok && finite(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return 0, false
	}
	return sum / float64(n), true
}

func (w *work) meanFeed(newest int) (float64, bool) {
	return w.mean(newest, func(s *second) (float64, bool) { return s.feed, true })
}

func (w *work) meanSpeed(newest int) (float64, bool) {
	return w.mean(newest, func(s *second) (float64, bool) { return s.speed, true })
}

func (w *work) meanLevel(m measure, newest int) (float64, bool) {
	return w.mean(newest, func(s *second) (float64, bool) { return s.level[m], s.heard[m] })
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// gather makes seconds of states.
type gather struct {
	sums   [measureCount]float64
	counts [measureCount]int
	feed   float64
	feedN  int
	speed  float64
	moist  float64
	moistN int
	steady int // steps
	rotor  float64
	lowest float64 // of the rotor in this second

	feedSlow  float64 // means of a minute
	rotorSlow float64
}

// step takes a state of steady work.
func (g *gather) step(s *machine.State) {
	g.steady++
	for m := range measures {
		if !measures[m].signal {
			continue
		}
		if v, ok := s.Signals.Fresh(measures[m].id, s.Now); ok && finite(v) {
			g.sums[m] += v
			g.counts[m]++
		}
	}
	if v := float64(s.Feed.Rate); s.Feed.Basis != machine.NoFeed && finite(v) && v >= 0 {
		g.feed += v
		g.feedN++
	}
	g.speed += float64(s.Speed.Value)
	if v, ok := signal.GrainMoisture.Fresh(&s.Signals, s.Now); ok && finite(float64(v)) {
		g.moist += float64(v)
		g.moistN++
	}
	if v, ok := signal.RotorSpeed.Fresh(&s.Signals, s.Now); ok && finite(float64(v)) {
		low := float64(v)
		if s.Rotor.Readings > 0 && finite(float64(s.Rotor.Lowest)) {
			low = min(low, float64(s.Rotor.Lowest))
		}
		if g.rotor == 0 || low < g.lowest {
			g.lowest = low
		}
		g.rotor = float64(v)
	}
}

// mostly is how many of the ten steps of a second have to be steady.
const mostly = 7

// close ends a second; ok tells whether it was one of steady work.
func (g *gather) close(now signal.Instant) (s second, ok bool) {
	if g.steady >= mostly {
		s.at = now
		s.feed, s.moisture = math.NaN(), math.NaN()
		s.speed = g.speed / float64(g.steady)
		s.level[speedLevel], s.heard[speedLevel] = s.speed, true
		for m := range g.sums {
			if g.counts[m] > 0 {
				s.level[m], s.heard[m] = g.sums[m]/float64(g.counts[m]), true
			}
		}
		if g.moistN > 0 {
			s.moisture = g.moist / float64(g.moistN)
		}
		if g.feedN > 0 {
			s.feed = g.feed / float64(g.feedN)
			g.feedSlow = follow(g.feedSlow, s.feed)
			if g.feedSlow > 0 {
				s.level[unevenLevel], s.heard[unevenLevel] = 100*math.Abs(s.feed-g.feedSlow)/g.feedSlow, true
			}
		}
		if g.rotor > 0 {
			g.rotorSlow = follow(g.rotorSlow, g.rotor)
			s.level[sagLevel], s.heard[sagLevel] = 100*max(0, g.rotorSlow-g.lowest)/g.rotorSlow, true
		}
		ok = true
	}
	*g = gather{feedSlow: g.feedSlow, rotorSlow: g.rotorSlow}
	return s, ok
}

// follow is a mean of a minute that begins with its first value.
func follow(mean, v float64) float64 {
	if mean == 0 {
		return v
	}
	return mean + (v-mean)/60
}
