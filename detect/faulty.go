package detect

import (
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// faulty: a sender says "error" where a value should be (SAE J1939-71). Only a
// reading that is none ends it.
type faulty struct {
	common
	set SignalFaulty
}

func newFaulty(set SignalFaulty) *faulty {
	return &faulty{common: common{slots: perSignal(signalFaulty)}, set: set}
}

// perSignal is one alarm for each signal, indexed by its ID.
func perSignal(kind int) []alarm {
	slots := make([]alarm, signal.Count)
	for id := range slots {
		name := signal.ID(id).String()
		slots[id] = newAlarm(kind, name, name)
	}
	return slots
}

func (r *faulty) reset() {}

func (r *faulty) step(s *machine.State, d *desk) {
	for id := range r.slots {
		h := &s.Health[id]
		f := finding{verdict: clear, priority: Medium, unit: "s"}
		if h.Erring != signal.Never {
			erring := h.Heard.Sub(h.Erring) // a sender that fell silent says nothing more
			f.verdict, f.began, f.value = met, h.Erring, erring.Seconds()
			f.ready = erring >= r.set.For.get()
		} else if r.slots[id].phase == quiet {
			continue
		}
		d.step(&r.slots[id], f, s, r)
	}
}

func (r *faulty) tell(e *Event, a *alarm, s *machine.State) {
	id, _ := signal.ByName(a.subject)
	e.Peak.Name = "error_s"
	e.Evidence = []Fact{
		{Name: "error_s", Value: round1(e.Peak.Value), Unit: "s"},
		{Name: "source_address", Value: float64(s.Signals.Get(id).From.Address)},
	}
	e.Text = fmt.Sprintf("%s: sensor error for %.0f s", capital(id.Info().Words), e.Peak.Value)
}

// capital begins a sentence. Words of signals are in ASCII letters.
func capital(words string) string {
	if words == "" || words[0] < 'a' || words[0] > 'z' {
		return words
	}
	return string(words[0]-'a'+'A') + words[1:]
}
