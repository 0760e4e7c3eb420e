package detect

import (
	"fmt"

	"chaffinch/detect/machine"
)

// faultCodes: an active diagnostic trouble code (DM1, SAE J1939-73). The table
// of codes has settled what is active; here each code gets one event.
type faultCodes struct {
	common
	codes [mostCodes]machine.Fault // of the slot of the same index
}

// mostCodes that are told apart at a time. Real machines light a handful.
const mostCodes = 64

func newFaultCodes() *faultCodes {
	r := &faultCodes{common: common{slots: make([]alarm, mostCodes)}}
	for i := range r.slots {
		r.slots[i] = newAlarm(faultCode, "", "")
	}
	return r
}

func (r *faultCodes) reset() {}

func (r *faultCodes) step(s *machine.State, d *desk) {
	for i := range s.Faults {
		code := &s.Faults[i]
		slot := r.slot(code, s)
		if slot < 0 {
			continue
		}
		r.codes[slot] = *code
		d.step(&r.slots[slot], finding{verdict: met, ready: true, began: min(code.Since, s.Now),
			priority: byLamp(code.Lamp), value: float64(code.Count)}, s, r)
	}
	for i := range r.slots {
		if r.slots[i].phase != quiet && !among(s.Faults, &r.codes[i]) {
			d.step(&r.slots[i], finding{verdict: clear}, s, r)
		}
	}
}

// slot finds the alarm of a code, or a free one, or -1. One that was raised
// within the last minute is kept for its code.
func (r *faultCodes) slot(code *machine.Fault, s *machine.State) int {
	free := -1
	for i := range r.slots {
		a := &r.slots[i]
		if a.subject != "" && same(&r.codes[i], code) {
			return i
		}
		if free < 0 && a.phase == quiet && s.Now >= a.shelf && s.Now.Sub(a.raised) >= repeatAfter && !(a.subject != "" && among(s.Faults, &r.codes[i])) {
			free = i
		}
	}
	if free >= 0 {
		r.slots[free] = newAlarm(faultCode, fmt.Sprintf("%d-%d@%d", code.SPN, code.FMI, code.Source.Address), "")
	}
	return free
}

func same(a, b *machine.Fault) bool {
	return a.Source.Interface == b.Source.Interface && a.Source.Address == b.Source.Address && a.SPN == b.SPN && a.FMI == b.FMI
}

func among(list []machine.Fault, code *machine.Fault) bool {
	for i := range list {
		if same(&list[i], code) {
			return true
		}
	}
	return false
}

func byLamp(l machine.Lamp) Priority {
	switch l {
	case machine.StopLamp:
		return High
	case machine.WarningLamp:
		return Medium
	}
	return Low
}

func (r *faultCodes) tell(e *Event, a *alarm, _ *machine.State) {
	for i := range r.slots {
		if &r.slots[i] != a {
			continue
		}
		c := &r.codes[i]
		e.Peak = Fact{} // a code is there or not: nothing is worst
		e.Evidence = []Fact{
			{Name: "spn", Value: float64(c.SPN)},
			{Name: "fmi", Value: float64(c.FMI)},
			{Name: "source_address", Value: float64(c.Source.Address)},
		}
		if c.Count < 127 { // 127 is not available
			e.Evidence = append(e.Evidence, Fact{Name: "occurrence_count", Value: float64(c.Count)})
		}
		do := "See the manual"
		if e.Priority == High {
			do = "Stop, see the manual"
		}
		e.Text = fmt.Sprintf("%s: fault code %d-%d", do, c.SPN, c.FMI)
		return
	}
}
