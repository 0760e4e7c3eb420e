package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// stuck: a signal keeps its value to the bit while its physical partners move,
// in work that moves both. How long healthy values repeat is learned: the
// longest run so far, eight times of which is no chance any more.
type stuck struct {
	common
	set  SignalStuck
	runs [signal.Count]sameRun
	span [len(pairs)]spanOf
}

// sameRun is how long a signal has had one value.
type sameRun struct {
	value   float64
	since   signal.Instant
	known   bool
	longest time.Duration // run of healthy work
	count   int           // changes seen
	moved   bool          // a partner has, since
}

// pair is a signal and a partner that cannot move without it. By is how much of
// the partner is a move, in its own unit: three times its usual noise.
//
// Pairs of one signal stand together.
type pair struct {
	id, partner signal.ID
	by          float64
}

var pairs = [...]pair{
	{signal.EngineLoad.ID, signal.FuelRate.ID, 4},
	{signal.EngineLoad.ID, signal.EngineTorque.ID, 8},
	{signal.EngineLoad.ID, signal.EngineSpeed.ID, 30},
	{signal.EngineTorque.ID, signal.EngineLoad.ID, 8},
	{signal.EngineTorque.ID, signal.FuelRate.ID, 4},
	{signal.FuelRate.ID, signal.EngineLoad.ID, 8},
	{signal.FuelRate.ID, signal.EngineTorque.ID, 8},
	{signal.EngineSpeed.ID, signal.EngineLoad.ID, 8},
	{signal.EngineSpeed.ID, signal.RotorSpeed.ID, 15},
	{signal.RotorSpeed.ID, signal.EngineSpeed.ID, 30},
	{signal.RotorSpeed.ID, signal.EngineLoad.ID, 8},
	{signal.FeederLoad.ID, signal.EngineLoad.ID, 8},
	{signal.FeederLoad.ID, signal.GroundSpeed.ID, 0.5},
	{signal.GrainFlow.ID, signal.EngineLoad.ID, 8},
	{signal.SeparationLoss.ID, signal.EngineLoad.ID, 8},
	{signal.CleaningLoss.ID, signal.EngineLoad.ID, 8},
	{signal.CropLoss.ID, signal.EngineLoad.ID, 8},
	{signal.Returns.ID, signal.EngineLoad.ID, 8},
}

// spanOf is the range of a partner since the signal last changed.
type spanOf struct {
	low, high float64
	begun     bool
}

const (
	stuckRuns = 8
	// leastChanges of a value must have been seen in work: one that never
	// moved is no sensor, or not connected, and says nothing.
	leastChanges = 20
)

func newStuck(set SignalStuck) *stuck {
	r := &stuck{common: common{slots: perSignal(signalStuck)}, set: set}
	r.reset()
	return r
}

func (r *stuck) reset() {
	for id := range r.runs {
		r.runs[id].known = false
	}
	r.span = [len(pairs)]spanOf{}
}

func (r *stuck) step(s *machine.State, d *desk) {
	r.sees()
	d.stuck = 0
	working := s.Activity == machine.Cutting && s.Now.Sub(s.InCrop) >= settle
	for i := range pairs {
		r.follow(i, s, working)
		if i+1 == len(pairs) || pairs[i+1].id != pairs[i].id {
			r.settle(pairs[i].id, s, d, working)
		}
	}
}

// follow notes whether a signal has changed, and how far a partner has moved
// since.
func (r *stuck) follow(i int, s *machine.State, working bool) {
	p := &pairs[i]
	run, span := &r.runs[p.id], &r.span[i]
	first := i == 0 || pairs[i-1].id != p.id
	v, ok := s.Signals.Fresh(p.id, s.Now)
	if first {
		switch {
		case !ok:
			run.known = false
		case !run.known || v != run.value:
			if run.known && working {
				run.count++
				if long := s.Now.Sub(run.since); long < r.set.For.get() && !atEnd(p.id, run.value) {
					run.longest = max(run.longest, long)
				}
			}
			*run = sameRun{value: v, since: s.Now, known: true, longest: run.longest, count: run.count}
		case !working && r.slots[p.id].phase == quiet:
			run.since = run.since.Add(machine.Period) // time out of work does not count
		}
	}
	if !run.known || run.since == s.Now {
		*span = spanOf{}
	}
	if partner, fresh := s.Signals.Fresh(p.partner, s.Now); fresh && run.known && working {
		if !span.begun {
			*span = spanOf{partner, partner, true}
		}
		span.low, span.high = min(span.low, partner), max(span.high, partner)
		run.moved = run.moved || span.high-span.low >= p.by
	}
}

// settle judges a signal once all its partners have been looked at.
func (r *stuck) settle(id signal.ID, s *machine.State, d *desk, working bool) {
	a, run := &r.slots[id], &r.runs[id]
	if !run.known {
		if a.phase != quiet {
			d.step(a, finding{verdict: blind}, s, r)
			d.stuck |= 1 << id
		}
		return
	}
	long := s.Now.Sub(run.since)
	limit := max(r.set.For.get(), stuckRuns*run.longest)
	f := finding{verdict: clear, priority: Low, value: long.Seconds(), unit: "s", began: run.since}
	switch {
	case a.phase != quiet && run.value == r.valueHeld(a):
		f.verdict = met
	case atEnd(id, run.value):
	case working && long >= limit && run.moved && run.count >= leastChanges:
		f.verdict, f.ready = met, true
	}
	if f.verdict == met || a.phase != quiet {
		d.step(a, f, s, r)
	}
	if a.phase != quiet {
		d.stuck |= 1 << id
	}
}

// atEnd tells whether a level is at the end of its range, where it may stand for
// long.
func atEnd(id signal.ID, v float64) bool {
	info := id.Info()
	return info.Unit == "%" && (v <= info.Min || v >= info.Max-0.5)
}

// valueHeld is the value at which a signal is stuck.
func (r *stuck) valueHeld(a *alarm) float64 {
	for _, f := range a.event.Evidence {
		if f.Name == a.subject {
			return f.Value
		}
	}
	return -1e300
}

func (r *stuck) tell(e *Event, a *alarm, s *machine.State) {
	id, _ := signal.ByName(a.subject)
	e.Peak.Name = "unchanged_s"
	e.Evidence = facts(s, id)
	e.Evidence = append(e.Evidence, Fact{Name: "unchanged_s", Value: round1(e.Peak.Value), Unit: "s"},
		Fact{Name: "source_address", Value: float64(s.Signals.Get(id).From.Address)})
	e.Text = fmt.Sprintf("%s stuck for %.0f s: check sensor", capital(id.Info().Words), e.Peak.Value)
}
