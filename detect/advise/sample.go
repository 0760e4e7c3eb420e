package advise

import (
	"fmt"
	"math"
	"strings"

	"chaffinch/detect/advise/judge"
)

// observationWords are the observations as an operator says them.
var observationWords = [len(observations)]string{"straw in small pieces", "straw damp or tough", "grain on the ground at the back", "crop lodged"}

// take puts what a check has told into the symptoms and targets.
func (a *Adviser) take(c *Check) {
	var id uint64
	var told []string
	moved := false
	if c.Tank != nil {
		id = a.answered(tankWanted)
		told = append(told, a.takeTank(*c.Tank, &moved))
	}
	if c.Returns != nil {
		id = max(id, a.answered(returnsWanted))
		a.around.returns = c.Returns.Mostly
		told = append(told, "returns: "+c.Returns.Mostly.String())
	}
	if c.Ground != nil {
		id = max(id, a.answered(groundWanted))
		told = append(told, a.takeGround(c.Ground, &moved))
	}
	for _, o := range c.Sees {
		for i, name := range observations {
			if o.Condition == name {
				a.around.seen[i] = observed{is: o.Is, told: true, at: a.now}
				told = append(told, observationWords[i]+map[bool]string{true: ": yes", false: ": no"}[o.Is])
			}
		}
	}
	if len(told) == 0 {
		return
	}
	a.note(Note{Kind: CheckTold, Taken: &CheckTaken{ID: id, Check: *c, Text: capital(strings.Join(told, "; ")) + ".", At: a.now}})
	if moved {
		a.note(Note{Kind: TargetsSet, Targets: a.Targets()})
	}
	a.judgeChecked(c)
}

// takeTank keeps the grades, and sets the sensors of broken grain and trash by
// them: their levels mean nothing until somebody has looked.
func (a *Adviser) takeTank(t TankSample, moved *bool) string {
	var said []string
	again := false
	for _, one := range [...]struct {
		i int
		g Grade
	}{{brokenGrain, t.Broken}, {trash, t.Trash}, {unthreshed, t.Unthreshed}} {
		if one.g == NotLooked || one.g > Much {
			continue
		}
		k := &a.symptoms[one.i]
		k.once = one.g == Some && k.said < Some
		k.said, k.saidAt, k.stale = one.g, a.now, false
		if k.once && !a.heard(one.i) {
			again = true
		}
		said = append(said, fmt.Sprintf("%s %s", a.symptomWords(one.i), one.g))
		if info := &symptoms[one.i]; info.signal {
			if level, ok := a.recent(info.level); ok {
				*moved = a.aimBySample(k, one.g, level) || *moved
			}
		}
	}
	if len(said) == 0 {
		return "tank sample: not looked"
	}
	if again {
		a.want(TankCheck, WhyChoice, 0)
		a.wants[tankWanted].Text = "Look at another handful from the tank: one may be chance"
	}
	return "tank sample: " + strings.Join(said, ", ")
}

// recentS is how much of the newest work a check speaks of.
const recentS = 120

func (a *Adviser) recent(m measure) (float64, bool) {
	if a.work.n >= judge.LeastSeconds {
		return a.work.meanLevel(m, recentS)
	}
	return 0, false
}

// Targets by a sample: what a level means for a grade. With as little as should
// be at most there is a little room; with more there is none.
const (
	roomNone   = 2.5
	roomLittle = 1.3
	roomSome   = 0.7
	roomMuch   = 0.4
	leastAim   = 1.0 // of 100
)

func (a *Adviser) aimBySample(k *symptom, g Grade, level float64) bool {
	room := [...]float64{None: roomNone, Little: roomLittle, Some: roomSome, Much: roomMuch}[g]
	target := max(leastAim, min(level*room, levelTop))
	known := k.basis != "" && k.basis != BySetup
	switch {
	case k.basis == BySetup:
		return false
	case known && g <= Little:
		target = max(target, k.target)
	case known:
		target = min(target, k.target)
	}
	a.aim(k, target, ByTankSample, 0)
	return true
}

// aim sets a target.
func (a *Adviser) aim(k *symptom, target float64, basis string, kgHa float64) {
	k.target, k.basis, k.kgHa, k.setAt = target, basis, kgHa, a.now
	k.setMoist = math.NaN()
	if m, ok := a.moisture(); ok {
		k.setMoist = m
	}
	k.run = 0
	k.over = k.seconds >= overAfter && k.slow > overMargin*target
}

// Where a target is from (Target.Basis).
const (
	ByGroundCount = "ground-count"
	ByTankSample  = "tank-sample"
	BySetup       = "setup"
)

// judgeChecked ends a trial that waits for a check.
func (a *Adviser) judgeChecked(c *Check) {
	t := &a.trial
	if a.stage != sampling || t.of < 0 {
		return
	}
	k := &a.symptoms[t.of]
	switch {
	case t.check == TankCheck && c.Tank != nil && k.saidAt == a.now && k.checked():
		a.concludeCheck(checkedTrial{Outcome: graded(t.said, k.said), by: BySample, before: t.said.String(), after: k.said.String(),
			why: "there was no sample before the change", lower: k.said < t.said})
	case t.check == GroundCheck && c.Ground != nil:
		o, why := counted(t.loss, t.se, k.loss, k.lossSE), "there was no count before the change"
		if !c.Ground.Enough {
			o, why = judge.CouldNotJudge, "less than a hundred kernels were counted"
		}
		a.concludeCheck(checkedTrial{Outcome: o, by: ByCount, before: a.setting(t.loss, "kg/ha"), after: a.setting(k.loss, "kg/ha"),
			why: why, lower: k.loss < t.loss*(1-worth/100) || k.loss < t.loss && k.said < t.said && k.said <= Little})
	}
}
