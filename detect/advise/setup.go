package advise

import (
	"math"

	"chaffinch/canbus/signal"
)

// Setup takes what the operator sets anew.
func (a *Adviser) Setup(setup Setup) []Note {
	a.out = a.out[:0]
	moved := setup.Crop != nil && setup.Crop.Name != a.facts.Crop.Name || setup.Field != nil && *setup.Field != a.field
	if moved || setup.Header != nil || setup.Limits != nil || setup.SeatAdjustable != nil {
		a.interrupt(moved)
	}
	if moved {
		a.setAside()
	}
	if setup.Crop != nil {
		if setup.Crop.Name != a.facts.Crop.Name {
			a.newField = false
			for i := range a.curves {
				a.curves[i].Reset()
			}
		}
		a.facts.Crop = *setup.Crop
	}
	if setup.Field != nil && *setup.Field != a.field {
		a.field = *setup.Field
		a.newField = setup.Crop == nil
	}
	if moved {
		a.recall()
		a.worked = 0
		for i := range a.checked {
			a.checked[i].at = signal.Never
		}
	}
	if setup.Header != nil {
		a.facts.Machine.Header = *setup.Header
	}
	if setup.Limits != nil {
		a.facts.Machine.Limits = setup.Limits
	}
	if setup.SeatAdjustable != nil {
		a.facts.Machine.SeatAdjustable = append([]string(nil), setup.SeatAdjustable...)
	}
	if setup.Crop != nil || setup.Header != nil || setup.Limits != nil || setup.SeatAdjustable != nil {
		a.prepare()
	}
	a.setTargets(setup.TargetPct)
	if moved || setup.TargetPct != nil {
		a.note(Note{Kind: TargetsSet, Targets: a.Targets()})
	}
	return a.out
}

// interrupt closes what is open: the machine or its crop is not what it was. A
// trial's move is forgotten with the old moves.
func (a *Adviser) interrupt(moved bool) {
	switch a.stage {
	case proposed:
		a.close(ClosedSetup)
	case settling, judging, sampling:
		if a.trial.why != ByBack && a.trial.of >= 0 {
			a.unjudged("crop or machine were set anew meanwhile")
		}
		a.stage = idle
	}
	if moved {
		a.debt = nil
	}
	a.closedAt = signal.Never
	a.fresh()
}

// setTargets takes targets that the owner has set; they are taken before all
// others.
func (a *Adviser) setTargets(by map[string]float64) {
	for i := range symptoms {
		if v, ok := by[symptoms[i].name]; ok && symptoms[i].signal && finite(v) && v > 0 {
			a.aim(&a.symptoms[i], v, BySetup, 0)
		} else if ok && i == headerLoss && v > 0 && v <= 100 {
			a.headerPct = v
		}
	}
}

// Targets lists the levels that are too high by what the operator's checks have
// told or the owner has set, in the order of symptoms: what detect should take
// for its target_pct.
func (a *Adviser) Targets() []Target {
	var all []Target
	for i := range a.symptoms {
		k, info := &a.symptoms[i], &symptoms[i]
		if k.basis == "" || !info.signal {
			continue
		}
		t := Target{Symptom: info.name, Signal: info.of.String(), Alarm: info.alarm, TargetPct: round1(k.target), Basis: k.basis,
			KgHaPerPoint: k.kgHa, AgeS: math.Round(a.now.Sub(k.setAt).Seconds())}
		if m, ok := a.moisture(); ok && finite(k.setMoist) {
			t.Stale = math.Abs(m-k.setMoist) >= weatherMoves
		}
		all = append(all, t)
	}
	return all
}
