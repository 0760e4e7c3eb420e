package detect

import (
	"fmt"
	"math"
	"slices"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// feedBunches: the feed comes in bunches, beyond what the ground speed makes of
// it. The measure is the coefficient of variation in half a minute, from two
// parts: how far its six stretches of five seconds differ, by the feed estimate
// over ground speed; and how much it swings within the middle one of them, by
// what shows it directly. Medians throughout: a single lump or gap is no
// unevenness.
type feedBunches struct {
	common
	set    FeedUneven
	perTon float64 // points of engine load for a t/h of feed

	parts   [evenParts]evenPart
	next    int
	filled  int
	now     evenSum
	source  swing // of the part that is being filled
	cv      float64
	known   bool
	uneven  dwell
	entered signal.Instant
	speeds  [evenDelay]float64 // ring of the last seconds' ground speeds
	speedN  int
	hidden  signal.Instant // until when something else explains it
}

// evenPart is a stretch of five seconds: its mean, and the relative variance
// within it.
type evenPart struct{ mean, variance float64 }

type evenSum struct {
	steps int
	slow  float64 // feed over ground speed
	level float64 // what the swings are put to
	fast  [evenSteps]float64
}

// swing is what shows the feed's quick swings.
type swing uint8

const (
	bySwingOfLoad swing = iota
	bySwingOfFeeder
)

const (
	evenParts = 6
	evenSteps = 50 // 5 s
	// evenDelay is the way from the knife to the estimate, in steps.
	evenDelay  = 45
	evenBridge = 5 * time.Second
	// feederOften is how often the feeder's load must come to show swings.
	feederOften = 300 * time.Millisecond
	// evenAfter is how long a drop or an overload is in the windows.
	evenAfter = 35 * time.Second
	// What is left of swings of 3 to 6 s: the feeder turns with them, but
	// carries its own weight; the engine's load is the sum of shafts that the
	// crop reaches one after another.
	seenByFeeder = 0.9
	seenByLoad   = 0.42
)

func newFeedBunches(set FeedUneven, facts Facts) *feedBunches {
	kw, perTonne := energy(facts)
	r := &feedBunches{common: one(feedUneven, "feed_rate_t_h"), set: set, perTon: 100 * perTonne / kw}
	r.reset()
	return r
}

func (r *feedBunches) reset() {
	r.next, r.filled, r.now, r.speedN = 0, 0, evenSum{}, 0
	r.known = false
	r.uneven = dwell{}
	r.entered, r.hidden = signal.Never, signal.Never
}

func (r *feedBunches) step(s *machine.State, d *desk) {
	if d.explained(feedUneven, s.Now) {
		r.hidden = s.Now.Add(evenAfter)
	}
	f := r.judge(s)
	if d.isStuck(signal.EngineLoad.ID) && f.verdict != clear {
		f = r.cannot(signal.EngineLoad.ID)
	}
	d.step(&r.slots[0], f, s, r)
}

func (r *feedBunches) judge(s *machine.State) finding {
	switch {
	case s.Activity == machine.Unknown:
		return r.cannot(signal.EngineLoad.ID)
	case headerUnsure(s):
		r.reset() // without it the headland looks like uneven feed
		return r.cannot(signal.HeaderWorking.ID)
	case s.Activity != machine.Cutting || s.Now.Sub(s.InCrop) < settle:
		r.reset()
		r.sees()
		return finding{verdict: clear}
	case s.Feed.Basis != machine.FromPower && s.Feed.Basis != machine.FromGrainFlow:
		return r.cannot(signal.EngineLoad.ID)
	case !s.Speed.Known:
		return r.cannot(signal.GroundSpeed.ID)
	}
	r.sees()
	if r.entered != s.InCrop {
		r.reset()
		r.entered = s.InCrop
	}
	r.gather(s)
	limit := float64(r.set.CV)
	hidden := r.hidden != signal.Never && s.Now < r.hidden
	r.uneven.step(s.Now, r.known && r.cv >= limit && !hidden, evenBridge)
	f := finding{verdict: clear, priority: Low, value: r.cv, unit: "%"}
	switch {
	case r.uneven.held:
		f.verdict, f.began, f.ready = met, r.uneven.since, r.uneven.lasts(s.Now, r.set.For.get())
	case r.slots[0].phase != quiet && r.cv >= limit-kinds[feedUneven].Margin:
		f.verdict = met
	}
	return f
}

// gather fills the parts, and works out the variation anew once one is full.
func (r *feedBunches) gather(s *machine.State) {
	feed := float64(s.Feed.Rate)
	source := bySwingOfLoad
	v, ok := signal.FeederLoad.Fresh(&s.Signals, s.Now)
	// Readings far apart are samples of the feeder's own beat, not of the crop.
	interval := s.Health[signal.FeederLoad.ID].Interval
	ok = ok && interval > 0 && interval <= feederOften
	load, loadOK := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	fast, level := float64(v), float64(v)
	switch {
	case ok:
		source = bySwingOfFeeder
	case loadOK:
		fast, level = float64(load)/r.perTon, feed
	default:
		fast, level = feed, feed
	}
	if source != r.source {
		r.source, r.now = source, evenSum{}
	}
	n := &r.now
	n.steps++
	n.slow += feed / max(r.cutAt(float64(s.Speed.Value)), 1)
	n.fast[n.steps-1] = fast
	n.level += level
	if n.steps < evenSteps {
		return
	}
	part := evenPart{mean: n.slow / evenSteps}
	if n.level > 0 {
		seen := seenByLoad
		if source == bySwingOfFeeder {
			seen = seenByFeeder
		}
		part.variance = swings(&n.fast, seen) / (n.level * n.level / evenSteps / evenSteps)
	}
	r.now = evenSum{}
	r.parts[r.next] = part
	r.next = (r.next + 1) % evenParts
	if r.filled = min(r.filled+1, evenParts); r.filled == evenParts {
		r.vary()
	}
}

// swings is the variance of five seconds. Where it goes to and fro in them, so
// that machine and estimate have smoothed it, it is what it was before that.
func swings(v *[evenSteps]float64, seen float64) float64 {
	mean, square := 0.0, 0.0
	for _, x := range v {
		mean += x / evenSteps
	}
	for _, x := range v {
		square += (x - mean) * (x - mean) / evenSteps
	}
	band := math.Sqrt(square) / 2
	side, crossings := 0, 0
	for _, x := range v {
		now := side
		switch {
		case x > mean+band:
			now = 1
		case x < mean-band:
			now = -1
		}
		if now != side && side != 0 {
			crossings++
		}
		side = now
	}
	if crossings >= 2 {
		return square / (seen * seen)
	}
	return square
}

// cutAt takes the ground speed of now and gives back that at which the crop was
// cut that is now in the estimate.
func (r *feedBunches) cutAt(speed float64) float64 {
	i := r.speedN % evenDelay
	before := r.speeds[i]
	if r.speedN < evenDelay {
		before = speed
	}
	r.speeds[i] = speed
	r.speedN++
	return before
}

// vary works out the coefficient of variation of the six parts, a steady rise or
// fall over them taken off: crop that grows thicker is not uneven.
func (r *feedBunches) vary() {
	var means, apart, within [evenParts]float64
	var slopes [evenParts * (evenParts - 1) / 2]float64
	n := 0
	for i := range r.parts {
		p := &r.parts[(r.next+i)%evenParts] // oldest first
		means[i], within[i] = p.mean, p.variance
		for j := range i {
			slopes[n] = (means[i] - means[j]) / float64(i-j)
			n++
		}
	}
	slices.Sort(slopes[:])
	slope := slopes[len(slopes)/2] // Theil-Sen: the median of the slopes of all pairs
	for i := range means {
		means[i] -= slope * float64(i)
	}
	sorted := means
	middle := middleOf(&sorted)
	for i := range means {
		apart[i] = math.Abs(means[i] - middle)
	}
	overall := middle + slope*(evenParts-1)/2
	slow := madToSD * middleOf(&apart) / max(overall, 1e-3)
	r.cv, r.known = 100*math.Sqrt(slow*slow+middleOf(&within)), overall > 1e-3
}

// middleOf is the median; it sorts.
func middleOf(v *[evenParts]float64) float64 {
	slices.Sort(v[:])
	return (v[evenParts/2-1] + v[evenParts/2]) / 2
}

func (r *feedBunches) tell(e *Event, _ *alarm, s *machine.State) {
	e.Peak.Name = "feed_variation_pct"
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineLoad.ID)
	e.Evidence = append(e.Evidence, Fact{Name: "feed_variation_pct", Value: round1(e.Peak.Value), Unit: "%"})
	e.Text = fmt.Sprintf("Feed swings by %.0f %%: look at header", e.Peak.Value)
}
