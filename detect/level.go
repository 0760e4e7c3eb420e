package detect

import (
	"fmt"
	"math"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// level: a loss, the returns, broken grain or trash is over its target.
//
// Machines' own sensors show a level, not a mass. So the target is over what
// this machine in this crop usually shows while it is comfortably full, by 15
// points and 3 standard deviations at least, unless the owner or a calibration
// has set it. Two things have to agree: the smoothed level has been over the
// target for the delay, and a CUSUM, whose limit is drawn from the level's own
// noise and correlation, says that it is no chance.
type level struct {
	common
	kind   int
	set    LevelHigh
	id     signal.ID
	remedy string
	varies float64 // standard deviation over usual level, at least
	grows  float64 // exponent with which the level grows with the feed
	load   float64 // by the feed, smoothed, as late as the level is; 0 where it is not known

	usual   baseline // in work of normal load
	light   baseline // in light work, which says little of the former
	target  float64
	told    bool // that the level is near the top of its range all day
	telling bool

	now      float64 // smoothed
	slow     float64 // smoothed over half a minute
	has      bool
	chart    cusum
	charted  bool // the chart has found a shift
	over     dwell
	second   signal.Instant
	sum      float64
	steps    int
	last     float64
	same     int            // seconds without a change to the bit
	strain   dwell          // the engine is at its limit
	strained signal.Instant // when it last had been for a while
	entered  signal.Instant
}

const (
	// falseEvery is the mean time between false alarms that one chart is
	// allowed: a tenth of one in a shift of 12 hours.
	falseEvery = 10 * 12 * 3600 // s
	clipLow    = -3.0           // standard deviations from the middle of usual and target
	clipHigh   = 2.5
	leastSD    = 1.0  // points
	levelShare = 0.33 // a second: 3 s
	overBridge = 6 * time.Second
	// hover is how far under its target, as a share of what that is over the
	// usual level, a level that was over it may swing and still counts as over.
	hover = 0.3
	// top is the highest target that makes sense. A level that is usually over
	// nearTop has no room for news under it.
	top     = 78.0
	nearTop = 62.0
	// A strain of the engine that lasts this long explains a loss, and goes on
	// being seen behind the machine for lossLag.
	strainFor    = 8 * time.Second
	strainBridge = time.Second
	lossLag      = 12 * time.Second
	// The usual level is that at comfortLoad. It is learned between normalLoad
	// and fullLoad, and put to comfortLoad by the power law of loss over feed,
	// where the load over that of empty running stands for the feed. What was
	// seen between leastLoad and normalLoad is a measure only of itself: losses
	// at half of the feed are a tenth.
	comfortLoad = 84.0
	normalLoad  = 72.0
	leastLoad   = 55.0
	emptyLoad   = 38.0
	fullyLoad   = 88.0 // at a fullness of 100 %
	mostPut     = 3.0
	loadShare   = 1.0 / 60 // a step: 6 s, about as late as the sensors behind
	slowShare   = 1.0 / 30 // a second
	// upPoints over the usual level is more than usual; without one, nearTop is.
	upPoints = 10.0
	// frozenLevel: a level that does not change is judged by signal-stuck.
	frozenLevel = 5 // s
)

func newLevel(kind int, set LevelHigh, id signal.ID, varies, grows float64, remedy string) *level {
	r := &level{common: one(kind, id.String()), kind: kind, set: set, id: id, varies: varies, grows: grows, remedy: remedy}
	r.reset()
	return r
}

func (r *level) reset() {
	r.chart.clear()
	r.charted = false
	r.over, r.strain = dwell{}, dwell{}
	r.has = false
	r.second, r.sum, r.steps = signal.Never, 0, 0
	r.strained, r.entered = signal.Never, signal.Never
}

func (r *level) step(s *machine.State, d *desk) {
	d.step(&r.slots[0], r.judge(s), s, r)
	d.levelUp &^= 1 << r.kind
	if r.isUp() {
		d.levelUp |= 1 << r.kind
	}
}

// isUp tells whether the level is more than usual. One that is always near the
// top of its range says nothing.
func (r *level) isUp() bool {
	b := r.base()
	switch {
	case !r.has || b.full() && b.usual > nearTop:
		return false
	case b.known:
		return r.slow > min(b.usual+upPoints, nearTop)
	}
	return r.slow > nearTop
}

func (r *level) judge(s *machine.State) finding {
	if r.telling && r.told {
		r.telling = r.slots[0].phase != quiet
		return finding{verdict: clear}
	}
	switch {
	case s.Activity == machine.Unknown:
		return r.cannot(signal.EngineLoad.ID)
	case s.Activity != machine.Cutting || s.Now.Sub(s.InCrop) < settle:
		if s.Activity == machine.Cutting && r.slots[0].phase != quiet {
			return finding{verdict: blind}
		}
		r.reset()
		r.sees()
		return finding{verdict: clear}
	}
	v, ok := s.Signals.Fresh(r.id, s.Now)
	if !ok {
		r.over.step(s.Now, false, memory)
		return r.cannot(r.id)
	}
	r.sees()
	if r.entered != s.InCrop {
		r.reset()
		r.entered = s.InCrop
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if r.strain.step(s.Now, ok && load >= fullLoad, strainBridge); r.strain.lasts(s.Now, strainFor) {
		r.strained = s.Now
	}
	r.gather(s, v)
	margin, known := r.aim()
	if !known {
		if b := r.base(); b.full() && !r.told {
			// Said once, and over at once: it is a message, not a state.
			r.telling = true
			return finding{verdict: met, ready: true, began: s.Now, priority: Low, value: b.usual, unit: "%"}
		}
		return r.cannot(r.id)
	}
	if !r.has {
		return finding{verdict: clear}
	}
	held := r.slots[0].phase != quiet
	strained := r.strained != signal.Never && s.Now.Sub(r.strained) < lossLag
	least := r.target
	if r.over.held {
		least -= hover * margin
	}
	r.over.step(s.Now, r.now >= least && (held || !strained && r.same < frozenLevel), overBridge)
	f := finding{verdict: clear, priority: Medium, value: r.now, unit: "%"}
	switch {
	case r.over.held && r.now >= least:
		f.verdict, f.began = met, r.over.since
		f.ready = r.charted && s.Now.Sub(r.over.since) >= r.set.For.get()
	case held && r.now >= r.target-margin*kinds[r.kind].Margin/100:
		f.verdict = met
	}
	return f
}

// base is what is usual at the load of now.
func (r *level) base() *baseline {
	if r.usual.known || r.load == 0 || r.load >= normalLoad {
		return &r.usual
	}
	return &r.light
}

// aim works out the target, and how far it is over the usual level. It is not
// known before the usual level is, or where that leaves no room.
func (r *level) aim() (margin float64, known bool) {
	b := r.base()
	margin = float64(r.set.Points)
	if b.known {
		margin = max(margin, r.set.Sigmas*r.sd(b)) * b.unsure()
	}
	switch {
	case r.set.Target != nil:
		r.target = *r.set.Target
		return margin, true
	case r.told || !b.known || b.usual > nearTop:
		return 0, false
	}
	r.target = min(b.usual+margin, top)
	return r.target - b.usual, true
}

// sd is the standard deviation of the level in healthy work. The feed of a
// quarter of an hour is not that of a day: a twentieth more of it is a fifth
// more loss, so a loss varies by half of itself at least, in the long run; less
// where the level comes near the top of its range.
func (r *level) sd(b *baseline) float64 {
	return max(leastSD, b.sd, r.varies*b.usual*(1-b.usual/100))
}

// gather makes means of one second of what was heard, and feeds the chart and,
// in comfortable work, what is usual.
func (r *level) gather(s *machine.State, v float64) {
	if r.second == signal.Never {
		r.second = s.Now
	}
	r.sum += v
	r.steps++
	switch load, ok := loadByFeed(s); {
	case !ok:
		r.load = 0
	case r.load == 0:
		r.load = load
	default:
		r.load += loadShare * (load - r.load)
	}
	if s.Now.Sub(r.second) < time.Second {
		return
	}
	mean := r.sum / float64(r.steps)
	r.second, r.sum, r.steps = s.Now, 0, 0
	if mean == r.last {
		r.same++
	} else {
		r.last, r.same = mean, 0
	}
	if !r.has {
		r.now, r.slow, r.has = mean, mean, true
	}
	r.slow += slowShare * (mean - r.slow)
	r.now += levelShare * (mean - r.now)
	margin, known := r.aim()
	sd, tau := leastSD, mostTau
	b := r.base()
	if b.known {
		sd, tau = r.sd(b), b.tau
	} else {
		sd = max(leastSD, margin/3)
	}
	r.chart.h = limitFor(tau, falseEvery)
	if known {
		middle := r.target - margin/2
		r.charted = r.chart.add(min(max((mean-middle)/sd, clipLow), clipHigh))
	}
	healthy := r.chart.sum <= r.chart.h/4 && r.same < frozenLevel && r.slots[0].phase == quiet
	switch put, ok := r.atComfort(); {
	case !ok || !healthy:
	case r.load == 0 || r.load >= normalLoad:
		r.usual.add(min(100, mean*put))
	default:
		r.light.add(mean)
	}
}

// loadByFeed is the load that the feed of now asks for on the level. Losses
// follow the feed; a hill loads the engine and not the sieves.
func loadByFeed(s *machine.State) (float64, bool) {
	if s.Feed.FullnessKnown {
		return emptyLoad + (fullyLoad-emptyLoad)/100*float64(s.Feed.Fullness), true
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	return float64(load), ok
}

// atComfort is the factor that puts a level of now to comfortable load. It is
// not known where the machine is far from that.
func (r *level) atComfort() (put float64, ok bool) {
	if r.load == 0 {
		return 1, true
	}
	if r.load < leastLoad || r.load >= fullLoad {
		return 0, false
	}
	put = math.Pow((comfortLoad-emptyLoad)/(r.load-emptyLoad), r.grows)
	return min(max(put, 1/mostPut), mostPut), true
}

func (r *level) tell(e *Event, _ *alarm, s *machine.State) {
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineLoad.ID, r.id)
	words := strings.TrimSuffix(capital(r.id.Info().Words), " in the tank")
	b := r.base()
	if b.known {
		e.Evidence = append(e.Evidence, Fact{Name: "usual_pct", Value: round1(b.usual), Unit: "%"},
			Fact{Name: "usual_sd_pct", Value: round1(b.sd), Unit: "%"})
	}
	if r.telling {
		r.told = true
		e.Text = fmt.Sprintf("%s usually shows %.0f of 100: set its sensor", words, b.usual)
		return
	}
	e.Evidence = append(e.Evidence, Fact{Name: "target_pct", Value: round1(r.target), Unit: "%"})
	if b.known {
		e.Text = fmt.Sprintf("%s %.0f, usually %.0f: %s", words, e.Peak.Value, b.usual, r.remedy)
		return
	}
	e.Text = fmt.Sprintf("%s %.0f, target %.0f: %s", words, e.Peak.Value, r.target, r.remedy)
}
