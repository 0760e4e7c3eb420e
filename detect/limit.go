package detect

import (
	"fmt"
	"math"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// limits: a setting sits at the limit that the owner gave it, while the symptom
// that moving it on would relieve is there.
type limits struct {
	common
	set   LimitHolding
	bound []bound
	held  [signal.Count]dwell
}

// bound is one limit that the owner gave.
type bound struct {
	relief
	value float64
}

// relief says which symptom a setting relieves, beyond which of its limits. The
// list is the trade's common practice, no source; each setting has opposite
// remedies in other cases, so this only points, and never says "do".
type relief struct {
	id      signal.ID
	upper   bool
	symptom int
}

var reliefs = [...]relief{
	{signal.GroundSpeed.ID, true, spareCapacity},
	{signal.GroundSpeed.ID, false, engineOverload},
	{signal.RotorSpeed.ID, true, separationLossHigh},
	{signal.RotorSpeed.ID, false, brokenGrainHigh},
	{signal.FanSpeed.ID, true, trashHigh},
	{signal.FanSpeed.ID, false, cleaningLossHigh},
	{signal.Concave.ID, true, brokenGrainHigh},
	{signal.Concave.ID, false, separationLossHigh},
	{signal.UpperSieve.ID, true, cleaningLossHigh},
	{signal.UpperSieve.ID, false, trashHigh},
	{signal.LowerSieve.ID, true, returnsHigh},
	{signal.LowerSieve.ID, false, trashHigh},
}

func newLimits(set LimitHolding, own machine.Settings) *limits {
	r := &limits{common: common{slots: perSignal(limitHolding)}, set: set}
	for _, relief := range reliefs {
		limit := own.Limits[relief.id.String()]
		value := limit.Min
		if relief.upper {
			value = limit.Max
		}
		if value != nil {
			r.bound = append(r.bound, bound{relief, *value})
		}
	}
	return r
}

func (r *limits) reset() { r.held = [signal.Count]dwell{} }

func (r *limits) step(s *machine.State, d *desk) {
	r.sees()
	cutting := s.Activity == machine.Cutting && s.Now.Sub(s.InCrop) >= settle
	var at [signal.Count]bool
	for i := range r.bound {
		b := &r.bound[i]
		v, ok := s.Signals.Fresh(b.id, s.Now)
		symptom := d.active[b.symptom] > 0 || b.symptom == spareCapacity && d.lowFullness
		switch {
		case !ok:
			r.cannot(b.id)
		case cutting && b.symptom == spareCapacity && d.fullnessUnknown:
			r.cannot(signal.EngineLoad.ID)
		case !cutting || !symptom:
		case b.upper && v >= b.value*(1-atLimit), !b.upper && v <= b.value*(1+atLimit):
			at[b.id] = true
		}
	}
	for i := range r.bound {
		id := r.bound[i].id
		r.held[id].step(s.Now, at[id], 2*sec)
		a := &r.slots[id]
		if !at[id] && a.phase == quiet {
			continue
		}
		v, _ := s.Signals.Fresh(id, s.Now)
		f := finding{verdict: clear, priority: Low, value: v, unit: id.Info().Unit}
		if at[id] {
			f.verdict, f.began, f.ready = met, r.held[id].since, r.held[id].lasts(s.Now, r.set.For.get())
		}
		d.step(a, f, s, r)
	}
}

func (r *limits) tell(e *Event, a *alarm, s *machine.State) {
	id, _ := signal.ByName(a.subject)
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineLoad.ID)
	if id != signal.GroundSpeed.ID {
		e.Evidence = append(e.Evidence, facts(s, id)...)
	}
	var at *bound // the nearer one, where there are two
	for i := range r.bound {
		b := &r.bound[i]
		if b.id == id && (at == nil || math.Abs(e.Peak.Value-b.value) < math.Abs(e.Peak.Value-at.value)) {
			at = b
		}
	}
	if at == nil {
		return // cannot be: there is no alarm without a limit
	}
	e.Evidence = append(e.Evidence, Fact{Name: "limit", Value: at.value, Unit: id.Info().Unit})
	side, symptom := "lower", symptomWords(at.symptom)
	if at.upper {
		side = "upper"
	}
	e.Text = fmt.Sprintf("%s at your %s limit %.*f: %s", capital(id.Info().Words), side, id.Info().Decimals, e.Peak.Value, symptom)
}

func symptomWords(kind int) string {
	switch kind {
	case spareCapacity:
		return "it holds the machine back"
	case engineOverload:
		return "the engine is overloaded"
	case separationLossHigh:
		return "separation loss is high"
	case cleaningLossHigh:
		return "cleaning loss is high"
	case returnsHigh:
		return "returns are high"
	case brokenGrainHigh:
		return "grain is broken"
	}
	return "trash is in the tank"
}
