package detect

import (
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// hot: the coolant is over its limit, at any activity.
type hot struct {
	common
	set  EngineHot
	over dwell
}

func newHot(set EngineHot) *hot {
	return &hot{common: one(engineHot, signal.Coolant.ID.String()), set: set}
}

func (h *hot) reset() { h.over = dwell{} }

func (h *hot) step(s *machine.State, d *desk) {
	v, ok := signal.Coolant.Fresh(&s.Signals, s.Now)
	if !ok {
		h.over.step(s.Now, false, memory)
		d.step(&h.slots[0], h.cannot(signal.Coolant.ID), s, h)
		return
	}
	h.sees()
	h.over.step(s.Now, v > h.set.Coolant, 0)
	f := finding{verdict: clear, priority: High, value: float64(v), unit: "Cel"}
	switch {
	case v > h.set.Coolant:
		f.verdict, f.ready, f.began = met, h.over.lasts(s.Now, h.set.For.get()), h.over.since
	case h.slots[0].phase != quiet && float64(v) > float64(h.set.Coolant)-kinds[engineHot].Margin:
		f.verdict = met
	}
	d.step(&h.slots[0], f, s, h)
}

func (h *hot) tell(e *Event, _ *alarm, s *machine.State) {
	e.Evidence = facts(s, signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.Coolant.ID)
	e.Text = fmt.Sprintf("Coolant %.0f °C: ease off, check radiator", e.Peak.Value)
}
