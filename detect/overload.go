package detect

import (
	"fmt"
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// overload: engine load that lasts, or under which the engine slows. Percent
// load (SPN 92) is of the torque that is there at the present speed: 100 % for
// some seconds on a thick patch is normal work.
type overload struct {
	common
	set    EngineOverload
	margin float64

	high dwell // load over its limit
	lug  dwell // and the engine slowing
	deep dwell // and that by much
}

const (
	loadBridge = time.Second            // a dip this short does not start the half minute anew
	lugBridge  = 300 * time.Millisecond // nor the three seconds
	deepFor    = time.Second
)

func newOverload(set EngineOverload) *overload {
	return &overload{common: one(engineOverload, signal.EngineLoad.ID.String()), set: set, margin: kinds[engineOverload].Margin}
}

func (o *overload) reset() { o.high, o.lug, o.deep = dwell{}, dwell{}, dwell{} }

func (o *overload) step(s *machine.State, d *desk) {
	d.step(&o.slots[0], o.judge(s), s, o)
}

func (o *overload) judge(s *machine.State) finding {
	if s.Activity != machine.Cutting && s.Activity != machine.Unknown || standing(s) {
		o.reset()
		o.sees()
		return finding{verdict: clear}
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if !ok || s.Activity == machine.Unknown {
		o.high.step(s.Now, false, memory)
		o.lug.step(s.Now, false, memory)
		o.deep.step(s.Now, false, memory)
		return o.cannot(signal.EngineLoad.ID)
	}
	o.sees()
	drop := o.drop(s)
	full := load >= o.set.LugLoad
	o.high.step(s.Now, load >= o.set.Load, loadBridge)
	o.lug.step(s.Now, full && drop >= float64(o.set.LugDrop), lugBridge)
	o.deep.step(s.Now, full && drop >= float64(o.set.HighDrop), lugBridge)

	f := finding{verdict: clear, priority: Medium, value: float64(load), unit: "%"}
	if o.deep.lasts(s.Now, deepFor) {
		f.priority = High
	}
	if o.high.lasts(s.Now, o.set.For.get()) {
		f.verdict, f.ready, f.began = met, true, o.high.since
	}
	if o.lug.lasts(s.Now, o.set.LugFor.get()) && (!f.ready || o.lug.since < f.began) {
		f.verdict, f.ready, f.began = met, true, o.lug.since
	}
	// Whichever way it came, it is over when the load has come back.
	if o.slots[0].phase != quiet && load >= o.set.Load-signal.Percent(o.margin) {
		f.verdict = met
	}
	return f
}

// standing tells that the machine has all but stopped, before the activity does:
// an engine that chokes then has no crop coming.
func standing(s *machine.State) bool {
	return s.Speed.Known && s.Speed.Value < stoppedKMH
}

const stoppedKMH = 0.6

// memory is how long a condition that was building up outlives its input.
const memory = 5 * time.Second

// drop is how far the engine is under its reference, in percent.
func (o *overload) drop(s *machine.State) float64 {
	rpm, ok := signal.EngineSpeed.Fresh(&s.Signals, s.Now)
	if !ok || !s.Engine.ReferenceKnown {
		return 0
	}
	return 100 * (1 - float64(rpm/s.Engine.Reference))
}

func (o *overload) tell(e *Event, _ *alarm, s *machine.State) {
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.FuelRate.ID)
	if drop := o.drop(s); o.lug.held && drop >= float64(o.set.LugDrop)/2 {
		e.Evidence = append(e.Evidence, Fact{Name: "engine_speed_drop_pct", Value: round1(drop), Unit: "%"})
		e.Text = fmt.Sprintf("Engine down %.0f %%: ease ground speed", drop)
		return
	}
	e.Text = fmt.Sprintf("Engine load %.0f %%: ease ground speed", e.Peak.Value)
}

// round1 leaves the digits that a derived figure deserves.
func round1(v float64) float64 { return math.Round(10*v) / 10 }
