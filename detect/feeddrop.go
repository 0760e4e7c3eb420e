package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// feedFall: the feed falls away under its own last minute while the machine
// goes on: a gap in the crop, a header that has lost it, a slipping drive.
type feedFall struct {
	common
	set   FeedDrop
	rated bool    // the level of the feed means something, not only its movement
	least float64 // t/h: a smaller fall may be no crop at all

	feed, speed window // one-second means of the last minute
	width       window // of the cut, where it is known; else nothing
	low         dwell
	entered     signal.Instant // the crop that the windows belong to
	second      signal.Instant
	sumFeed     float64
	sumSpeed    float64
	sumWidth    float64
	steps       int
	slower      signal.Instant // when speed or cut width was last too low
	frozen      signal.Instant // since when the windows stand still
	feedMean    float64
}

const (
	settle = 10 * time.Second // the guard after entering the crop
	// leastSeconds of the last minute must have been seen.
	leastSeconds = 20
	// unexplained is the share of rated power that comes and goes without crop.
	unexplained = 0.05
	// longestFreeze: the last minute does not learn the drop for this long.
	longestFreeze = time.Minute
	// grainFlow comes this long after the speed that caused it.
	flowDelay = 15 * time.Second
	// powerDelay is the way from the knife to the rotor.
	powerDelay = 5 * time.Second
)

func newFeedFall(set FeedDrop, facts Facts) *feedFall {
	r := &feedFall{common: one(feedDrop, "feed_rate_t_h"), set: set, rated: facts.Machine.RatedPowerKW > 0}
	r.least = leastFall(facts)
	r.slots[0].lower = true
	r.reset()
	return r
}

func (r *feedFall) reset() {
	r.feed, r.speed, r.width = window{}, window{}, window{}
	r.low = dwell{}
	r.entered, r.frozen, r.slower = signal.Never, signal.Never, signal.Never
	r.startSecond(signal.Never)
}

func (r *feedFall) startSecond(now signal.Instant) {
	r.second, r.sumFeed, r.sumSpeed, r.sumWidth, r.steps = now, 0, 0, 0, 0
}

func (r *feedFall) step(s *machine.State, d *desk) {
	f := r.judge(s)
	if d.isStuck(signal.EngineLoad.ID) && f.verdict != clear {
		f = r.cannot(signal.EngineLoad.ID)
	}
	d.step(&r.slots[0], f, s, r)
}

func (r *feedFall) judge(s *machine.State) finding {
	switch {
	case s.Activity == machine.Unknown:
		return r.cannot(signal.EngineLoad.ID)
	case headerUnsure(s):
		// Without it the headland looks like a drop of feed.
		r.reset()
		return r.cannot(signal.HeaderWorking.ID)
	case s.Activity != machine.Cutting || s.Now.Sub(s.InCrop) < settle:
		r.reset()
		r.sees()
		return finding{verdict: clear}
	case s.Feed.Basis != machine.FromPower && s.Feed.Basis != machine.FromGrainFlow:
		r.low.step(s.Now, false, memory)
		return r.cannot(signal.EngineLoad.ID)
	case r.loadGone(s):
		// The feed now rests on something else than its last minute does.
		r.reset()
		return r.cannot(signal.EngineLoad.ID)
	case !s.Speed.Known:
		r.low.step(s.Now, false, memory)
		return r.cannot(signal.GroundSpeed.ID)
	}
	r.sees()
	if r.entered != s.InCrop {
		r.reset()
		r.entered = s.InCrop
		r.startSecond(s.Now)
	}
	rate, speed := float64(s.Feed.Rate), float64(s.Speed.Value)
	mean, enough := r.feed.mean()
	usual, _ := r.speed.mean()
	r.feedMean = mean
	low, margin := false, false
	share := float64(r.set.SpeedHeld) / 100
	if enough {
		if speed < usual*share || r.narrow(s, share) {
			r.slower = s.Now
		}
		delay := powerDelay
		if s.Feed.Basis == machine.FromGrainFlow {
			delay = flowDelay
		}
		held := s.Now.Sub(r.slower) > delay
		fall := mean - rate
		low = held && rate < mean*(1-float64(r.set.Drop)/100) && fall > r.least
		margin = speed >= usual*share && !r.narrow(s, share) &&
			rate < mean*(1-(float64(r.set.Drop)-kinds[feedDrop].Margin)/100)
	}
	r.low.step(s.Now, low, 500*time.Millisecond)
	r.gather(s, rate, speed, low || r.slots[0].phase != quiet && margin)

	f := finding{verdict: clear, priority: Low, value: rate, unit: "t/h"}
	switch {
	case low:
		f.verdict, f.ready, f.began = met, r.low.lasts(s.Now, r.set.For.get()), r.low.since
	case margin && r.slots[0].phase != quiet:
		f.verdict = met
	}
	if a := &r.slots[0]; a.phase != quiet && f.verdict == met && s.Now.Sub(a.event.Began) >= r.set.MediumAfter.get() {
		f.priority = Medium
	}
	return f
}

// headerUnsure tells whether the machine may be cutting or turning: which of
// them is only concluded from its load.
func headerUnsure(s *machine.State) bool {
	return s.Header == machine.NotKnown && (s.Activity == machine.Cutting || s.Activity == machine.Turning)
}

// narrow tells that less of the header is in the crop than usual: running out at
// the end of a pass, a wedge. Then the feed falls with it.
func (r *feedFall) narrow(s *machine.State, share float64) bool {
	usual, ok := r.width.mean()
	width, known := signal.CutWidth.Fresh(&s.Signals, s.Now)
	return ok && known && float64(width) < usual*share
}

// loadGone tells whether an engine load that was there is not.
func (r *feedFall) loadGone(s *machine.State) bool {
	_, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	return !ok && s.Health[signal.EngineLoad.ID].Ever
}

// leastFall is the crop behind a change of engine power that soft ground, a slope
// or hydraulics make as well.
func leastFall(facts Facts) float64 {
	kw, perTonne := energy(facts)
	return unexplained * kw / perTonne
}

// energy is the rated power in kW and the specific energy in kWh per tonne of
// feed, as far as they are known.
func energy(facts Facts) (kw, perTonne float64) {
	kw, perTonne = facts.Machine.RatedPowerKW, facts.Crop.KWhPerTonneOfFeed()
	if kw <= 0 {
		kw = 250
	}
	if !(perTonne > 0) {
		perTonne = 1.6 // wheat: 3.6 kWh per tonne of MOG (ASABE D497)
	}
	return kw, perTonne
}

// gather fills the last minute by the second. While the feed is low the minute
// stands still, or it would take the drop for usual.
func (r *feedFall) gather(s *machine.State, rate, speed float64, low bool) {
	if low {
		if r.frozen == signal.Never {
			r.frozen = s.Now
		}
		if s.Now.Sub(r.frozen) < longestFreeze {
			r.startSecond(s.Now)
			return
		}
	} else {
		r.frozen = signal.Never
	}
	if load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now); ok && load >= fullLoad {
		r.startSecond(s.Now) // an engine at its limit does not show the crop
		return
	}
	r.sumFeed += rate
	r.sumSpeed += speed
	width, widthKnown := signal.CutWidth.Fresh(&s.Signals, s.Now)
	r.sumWidth += float64(width)
	r.steps++
	if s.Now.Sub(r.second) >= time.Second {
		r.feed.add(r.sumFeed / float64(r.steps))
		r.speed.add(r.sumSpeed / float64(r.steps))
		if widthKnown {
			r.width.add(r.sumWidth / float64(r.steps))
		}
		r.startSecond(s.Now)
	}
}

func (r *feedFall) tell(e *Event, _ *alarm, s *machine.State) {
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.GrainFlow.ID)
	fall := 100 * (1 - e.Peak.Value/r.feedMean)
	e.Evidence = append(e.Evidence, Fact{Name: "feed_drop_pct", Value: round1(fall), Unit: "%"})
	if r.rated || s.Feed.Basis == machine.FromGrainFlow {
		e.Evidence = append(e.Evidence,
			Fact{Name: "feed_rate_t_h", Value: round1(e.Peak.Value), Unit: "t/h"},
			Fact{Name: "feed_rate_last_minute_t_h", Value: round1(r.feedMean), Unit: "t/h"})
	}
	e.Text = fmt.Sprintf("Feed down %.0f %%: look at the header", fall)
}

// window is the last minute, one value a second.
type window struct {
	values [60]float64
	next   int
	count  int
	sum    float64
}

func (w *window) add(v float64) {
	w.sum += v - w.values[w.next]
	w.values[w.next] = v
	w.next = (w.next + 1) % len(w.values)
	w.count = min(w.count+1, len(w.values))
}

func (w *window) mean() (float64, bool) {
	if w.count < leastSeconds {
		return 0, false
	}
	return w.sum / float64(w.count), true
}
