package detect

import (
	"fmt"
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// rotor: the rotor falls behind what the engine speed and the setting imply.
//
// The setting is the ratio of rotor to engine speed, learned while it is
// steady. A fall under it is trouble if the load rises, the engine is dragged
// down, or the rotor drops faster than any adjuster moves it. It is none if
// the operator turns the rotor down (a smooth change with no more load; the
// new ratio is learned) or switches the threshing part off (the load falls
// with it).
type rotor struct {
	common
	set RotorSlowing

	ratio   ratioMemory
	engines recent // engine speed, the last three seconds: a rotor lags behind an engine that comes up
	armed   bool   // the rotor has reached its speed since it was engaged
	offFor  dwell

	low      lowRun
	onset    signal.Instant // when the fall began; Never while there is none
	load     loadChange
	engineAt float64 // engine speed before the fall
}

// lowRun is an unbroken run of readings under the limit.
type lowRun struct {
	since    signal.Instant
	readings int
}

const (
	leastReadings = 2
	// fallBegins and unlike, in percent under what is implied: from where a
	// fall counts as one, and up to where the ratio is still learned.
	fallBegins = 2.0
	// fastFall is faster than an adjuster moves a rotor: its whole range of
	// about 2:1 takes it 15 s and more (common practice, no source).
	fastFall = 8.0 // % a second
	// steadyFall is a fall that full load may explain.
	steadyFall = 5.0 // % a second
	// dragged is how far the engine comes down with the rotor.
	dragged = 3.0 // %
	// fullLoad leaves the load no room to rise.
	fullLoad = 95.0
	// offLoad is the fall of load that tells a switched-off threshing part.
	offLoad = 8.0
	// longOff is how long threshing must have been off to end an alarm, where
	// no flag says so and the rotor itself is all that tells.
	longOff = 10 * time.Second
)

func newRotor(set RotorSlowing) *rotor {
	r := &rotor{common: one(rotorSlowing, signal.RotorSpeed.ID.String()), set: set}
	r.slots[0].lower = true
	r.reset()
	return r
}

func (r *rotor) reset() {
	*r = rotor{common: r.common, set: r.set, onset: signal.Never}
	r.ratio.unsteady()
}

func (r *rotor) step(s *machine.State, d *desk) {
	d.step(&r.slots[0], r.judge(s), s, r)
}

func (r *rotor) judge(s *machine.State) finding {
	rpm, rotorOK := signal.RotorSpeed.Fresh(&s.Signals, s.Now)
	engine, engineOK := signal.EngineSpeed.Fresh(&s.Signals, s.Now)
	r.offFor.step(s.Now, s.Threshing == machine.No, 0)
	if s.Threshing == machine.No {
		r.disarm()
		r.sees()
		if r.slots[0].phase != quiet && !r.surelyOff(s) {
			return finding{verdict: blind}
		}
		return finding{verdict: clear}
	}
	switch {
	case !rotorOK:
		r.low = lowRun{}
		return r.cannot(signal.RotorSpeed.ID)
	case !engineOK || engine <= 0:
		r.low = lowRun{}
		return r.cannot(signal.EngineSpeed.ID)
	case s.Threshing != machine.Yes:
		r.low = lowRun{}
		return r.cannot(signal.ThreshingEngaged.ID)
	}
	r.sees()
	r.engines.add(float64(engine))
	r.load.step(s, r.onset != signal.Never)
	if s.Rotor.Readings > 0 {
		middle := float64(s.Rotor.Lowest+s.Rotor.Highest) / 2
		r.ratio.add(s.Now, middle/float64(engine))
	}
	if !r.ratio.known {
		return finding{verdict: clear}
	}
	implied := r.ratio.value * r.engines.lowest()
	under := 100 * (1 - float64(rpm)/implied)
	r.follow(s, under, float64(engine))
	if !r.armed {
		return finding{verdict: clear}
	}
	r.count(s, implied)

	f := finding{verdict: clear, priority: High, value: float64(rpm), unit: "rpm"}
	limit := float64(r.set.Drop)
	switch {
	case r.low.readings > 0:
		long := s.Now.Sub(r.low.since) >= r.set.For.get() && r.low.readings >= leastReadings
		if r.slots[0].phase != quiet || r.isTrouble(s, under, float64(engine)) {
			f.verdict, f.ready, f.began = met, long, r.low.since
		}
	case r.slots[0].phase != quiet && under > limit-kinds[rotorSlowing].Margin:
		f.verdict = met
	}
	return f
}

// count keeps the run of readings that are all under the limit. A step without
// a reading says nothing new.
func (r *rotor) count(s *machine.State, implied float64) {
	if s.Rotor.Readings == 0 {
		return
	}
	limit := implied * (1 - float64(r.set.Drop)/100)
	switch {
	case float64(s.Rotor.Highest) > limit && float64(s.Rotor.Lowest) <= limit:
		r.low = lowRun{since: s.Now, readings: 1} // it crossed within the step
	case float64(s.Rotor.Highest) > limit:
		r.low = lowRun{}
	case r.low.readings == 0:
		r.low = lowRun{since: s.Rotor.First, readings: s.Rotor.Readings}
	default:
		r.low.readings += s.Rotor.Readings
	}
}

// follow learns the ratio, arms the rule, and notes when a fall begins.
func (r *rotor) follow(s *machine.State, under, engine float64) {
	if under < fallBegins {
		r.onset, r.engineAt = signal.Never, engine
		r.armed = r.armed || math.Abs(under) < fallBegins && r.ratio.steadyFor(s.Now, time.Second)
	} else if r.onset == signal.Never {
		r.onset = s.Now
	}
	quietAlarm := r.slots[0].phase == quiet
	switch {
	case under < fallBegins+1 && r.ratio.steadyFor(s.Now, time.Second):
		r.ratio.drift()
	case quietAlarm && !r.loaded() && r.ratio.steadyFor(s.Now, 3*time.Second), r.ratio.steadyFor(s.Now, 30*time.Second):
		r.ratio.adopt() // the operator has turned it to a new level
		r.onset, r.engineAt, r.low = signal.Never, engine, lowRun{}
	}
}

// isTrouble tells a rotor that is dragged down from one that is turned down or
// switched off.
func (r *rotor) isTrouble(s *machine.State, under, engine float64) bool {
	rate := (under - fallBegins) / max(s.Now.Sub(r.onset).Seconds(), 0.1)
	down := 100 * (1 - engine/r.engineAt)
	switch {
	case !r.load.known:
		return s.Activity == machine.Cutting && rate >= fastFall
	case r.load.rise() <= -offLoad:
		return false
	case r.load.rise() >= r.load.clearRise(rate), down >= dragged && r.load.rise() >= 0:
		return true
	case r.load.now >= fullLoad && rate >= steadyFall:
		return true
	}
	return s.Activity == machine.Cutting && rate >= fastFall
}

// loaded tells whether the load has risen since the fall began, or has no room
// to rise: such a fall is not taken for a new setting soon.
func (r *rotor) loaded() bool {
	return r.onset != signal.Never && r.load.known && (r.load.now >= fullLoad || r.load.rise() >= r.load.clearRise(0))
}

// surelyOff tells whether the end of threshing is more than a rotor that stands.
func (r *rotor) surelyOff(s *machine.State) bool {
	flag, ok := signal.ThreshingEngaged.Fresh(&s.Signals, s.Now)
	return ok && !flag.On() || s.Engine.Running == machine.No || r.offFor.lasts(s.Now, longOff)
}

func (r *rotor) disarm() {
	r.armed, r.low, r.onset = false, lowRun{}, signal.Never
	r.engines = recent{}
	r.load = loadChange{}
	r.ratio.unsteady()
}

func (r *rotor) tell(e *Event, _ *alarm, s *machine.State) {
	implied := r.ratio.value * r.engines.lowest()
	under := 100 * (1 - e.Peak.Value/implied)
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.RotorSpeed.ID)
	e.Evidence = append(e.Evidence,
		Fact{Name: "rotor_speed_implied_rpm", Value: math.Round(implied), Unit: "rpm"},
		Fact{Name: "rotor_drop_pct", Value: round1(under), Unit: "%"})
	e.Text = fmt.Sprintf("Rotor down %.0f %%: slow down now", under)
}
