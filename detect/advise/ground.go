package advise

import (
	"fmt"
	"strings"
)

// takeGround puts a count on the ground against the levels of the loss sensors
// of just before: so much a point. From what may be lost in this crop follow
// their targets.
func (a *Adviser) takeGround(g *GroundCount, moved *bool) string {
	if !g.HeaderKnown && !g.MachineKnown {
		return "ground count: not usable"
	}
	a.around.behind = g.UnthreshedBehind
	var parts []string
	if g.MachineKnown {
		parts = append(parts, "machine loss "+a.setting(g.MachineKgHa, "kg/ha"))
	}
	if g.HeaderKnown {
		parts = append(parts, "header loss "+a.setting(g.HeaderKgHa, "kg/ha"))
	}
	text := "ground count: " + strings.Join(parts, ", ")
	if !g.Enough {
		text += ", few kernels"
	}
	allowed, known := a.allowed(g)
	if !known {
		return text + "; the yield is not known"
	}
	if g.HeaderKnown {
		k := &a.symptoms[headerLoss]
		k.loss, k.lossSE = g.HeaderKgHa, g.HeaderSE
		most := headerShare * allowed
		if a.headerPct > 0 {
			most = allowed * a.headerPct / float64(a.facts.Crop.LossTarget)
		}
		// Clearly over it, or it is a chance of counting.
		k.said, k.saidAt, k.stale = a.lossGrade(g.HeaderKgHa-g.HeaderSE, most), a.now, false
	}
	if !g.MachineKnown {
		return text
	}
	for _, i := range [...]int{separationLoss, cleaningLoss, cropLoss} {
		k := &a.symptoms[i]
		k.loss, k.lossSE = g.MachineKgHa, g.MachineSE
	}
	budget := allowed
	if g.HeaderKnown {
		budget = max(allowed-g.HeaderKgHa, machineShare*allowed)
	}
	k := &a.symptoms[cropLoss]
	k.said, k.saidAt, k.stale = a.lossGrade(g.MachineKgHa, budget), a.now, false
	*moved = a.calibrate(g, budget)
	return text + fmt.Sprintf("; up to %s is acceptable", a.plain(budget, "kg/ha"))
}

const (
	// headerShare of what may be lost may be lost by the header alone, and
	// machineShare is left to the machine in any case (common practice, no
	// source).
	headerShare  = 0.6
	machineShare = 0.5
)

// allowed is what may be lost, in kg/ha.
func (a *Adviser) allowed(g *GroundCount) (float64, bool) {
	share := float64(a.facts.Crop.LossTarget) / 100
	yield := g.YieldKgHa
	if !(yield > 0) {
		feed, ok1 := a.work.meanFeed(recentS)
		speed, ok2 := a.work.meanSpeed(recentS)
		width := float64(a.facts.Machine.CutWidth)
		if !ok1 || !ok2 || speed < 0.5 || width <= 0 {
			return 0, false
		}
		grain := feed / (1 + max(0, a.facts.Crop.MOGRatio)) // t/h
		yield = 1000 * grain / (speed * width / 10)
	}
	if !finite(yield) || !(share > 0) {
		return 0, false
	}
	return share * (yield + g.MachineKgHa + g.HeaderKgHa), true
}

func (a *Adviser) lossGrade(kgHa, allowed float64) Grade {
	switch share := kgHa / allowed; {
	case share <= 0.5:
		return None
	case share <= 1:
		return Little
	case share <= 2:
		return Some
	}
	return Much
}

// calibrate sets the targets of the loss sensors. A small count proves little,
// so there its upper end is taken.
func (a *Adviser) calibrate(g *GroundCount, budget float64) bool {
	lost := g.MachineKgHa
	if !g.Enough {
		lost += 2 * max(0, g.MachineSE)
	}
	level := func(i int) (float64, bool) { return a.recent(symptoms[i].level) }
	rotor, ok1 := level(separationLoss)
	shoe, ok2 := level(cleaningLoss)
	switch {
	case ok1 || ok2:
		points := max(rotor+shoe, 1)
		perPoint := lost / points
		if !(perPoint > 0) {
			perPoint = 0.1 * budget / points // nothing at all was found
		}
		all := budget / perPoint // points that both may show together
		if ok1 {
			a.aimByCount(separationLoss, max(all/2, all-shoe), perPoint)
		}
		if ok2 {
			a.aimByCount(cleaningLoss, max(all/2, all-rotor), perPoint)
		}
		return true
	default:
		whole, ok := level(cropLoss)
		if !ok || whole <= 0 {
			return false
		}
		perPoint := max(lost, 0.1*budget) / whole
		a.aimByCount(cropLoss, budget/perPoint, perPoint)
		return true
	}
}

func (a *Adviser) aimByCount(i int, target, perPoint float64) {
	k := &a.symptoms[i]
	if k.basis == BySetup {
		k.kgHa = perPoint
		return
	}
	a.aim(k, max(leastAim, min(target, mostAim)), ByGroundCount, perPoint)
}

// mostAim leaves room over a target for a loss to show.
const mostAim = 85.0
