package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// implausible: a value that the machine cannot have, or two senders that tell
// different values of one thing.
type implausible struct {
	common
	set       SignalImplausible
	idle      [signal.Count]bool           // may be nonsense while threshing is off
	since     [signal.Count]signal.Instant // of values out of range; Never while there are none
	threshing signal.Instant               // since when the threshing part is engaged
}

func newImplausible(set SignalImplausible) *implausible {
	r := &implausible{common: common{slots: perSignal(signalImplausible)}, set: set}
	for _, id := range threshingOnly {
		r.idle[id] = true
	}
	r.reset()
	return r
}

func (r *implausible) reset() {
	r.threshing = signal.Never
	for id := range r.since {
		r.since[id] = signal.Never
	}
}

// wakes is how long sensors may show nonsense after the engine has started, or
// after the crop has come.
const wakes = 15 * time.Second

func (r *implausible) step(s *machine.State, d *desk) {
	awake := s.Engine.LastRunning == machine.Yes && s.Engine.Since != signal.Never && s.Now.Sub(s.Engine.Since) >= wakes
	if s.Threshing != machine.Yes {
		r.threshing = signal.Never
	} else if r.threshing == signal.Never {
		r.threshing = s.Now
	}
	works := r.threshing != signal.Never && s.Now.Sub(r.threshing) >= wakes
	next := 0
	for id := range signal.ID(signal.Count) {
		reading := s.Signals.Get(id)
		fresh := reading.Heard != signal.Never && s.Now.Sub(reading.Heard) <= id.Info().MaxAge
		switch {
		case reading.Quality != signal.OutOfRange || !fresh || !awake || r.idle[id] && !works:
			r.since[id] = signal.Never
		case r.since[id] == signal.Never:
			r.since[id] = reading.At
		}
		var dispute *machine.Dispute
		for next < len(s.Disputes) && s.Disputes[next].Signal < id {
			next++
		}
		if next < len(s.Disputes) && s.Disputes[next].Signal == id {
			dispute = &s.Disputes[next]
		}
		a := &r.slots[id]
		f := finding{verdict: clear, priority: Low}
		switch {
		case r.since[id] != signal.Never:
			long := s.Now.Sub(r.since[id])
			f.verdict, f.began, f.value, f.unit = met, r.since[id], long.Seconds(), "s"
			f.ready = long >= r.set.For.get()
		case dispute != nil && awake:
			long := s.Now.Sub(dispute.Since)
			f.verdict, f.began, f.value, f.unit = met, dispute.Since, long.Seconds(), "s"
			f.ready = long >= r.set.DisagreeFor.get()
		case reading.Quality == signal.Missing || !fresh && a.phase != quiet && s.Now.Sub(reading.Heard) < time.Minute:
			f.verdict = blind
		}
		if f.verdict == met || a.phase != quiet {
			d.step(a, f, s, r)
		}
	}
}

func (r *implausible) tell(e *Event, a *alarm, s *machine.State) {
	id, _ := signal.ByName(a.subject)
	words := capital(id.Info().Words)
	e.Evidence = []Fact{{Name: "source_address", Value: float64(s.Signals.Get(id).From.Address)}}
	if r.since[id] != signal.Never {
		e.Peak.Name = "out_of_range_s"
		e.Evidence = append(e.Evidence, Fact{Name: "out_of_range_s", Value: round1(e.Peak.Value), Unit: "s"})
		e.Text = fmt.Sprintf("%s wrong for %.1f s: check sensor", words, e.Peak.Value)
		return
	}
	e.Peak.Name = "disagreement_s"
	for i := range s.Disputes {
		if x := &s.Disputes[i]; x.Signal == id {
			e.Evidence = append(e.Evidence, Fact{Name: "disagreement", Value: x.Largest, Unit: id.Info().Unit},
				Fact{Name: "other_address", Value: float64(x.Other.Address)})
			e.Text = fmt.Sprintf("%s: senders differ by %.*f %s", words, id.Info().Decimals, x.Largest, id.Info().Unit)
		}
	}
}
