package advise

import (
	"fmt"
	"math"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
)

// shifted takes a change of a setting that was seen on the bus: it is what a
// prompt asked for, or the operator's own.
func (a *Adviser) shifted(f *follower, seen shift) {
	if r := f.lever.Round; r > 0 {
		seen.from, seen.to = r*math.Round(seen.from/r), r*math.Round(seen.to/r)
	}
	if seen.to == seen.from {
		return
	}
	direction := knowledge.Up
	if seen.to < seen.from {
		direction = knowledge.Down
	}
	t := &a.trial
	asked := t.lever == f.lever && (t.direction == direction || t.direction == knowledge.Look)
	if f.roams && !(asked && a.saidDone() && t.goesFor(seen)) {
		return
	}
	switch {
	case a.stage == proposed && asked:
		t.from, t.to, t.known = seen.from, seen.to, true
		a.done(true)
	case a.stage == idle && a.closedAt != signal.Never && a.now.Sub(a.closedAt) <= seenLate &&
		a.closed.lever == f.lever && a.closed.direction == direction && a.closed.prompt != 0:
		a.trial = a.closed
		t.from, t.to, t.known, t.seen = seen.from, seen.to, true, true
		a.closedAt = signal.Never
		a.begin()
	case (a.stage == settling || a.stage == judging || a.stage == sampling) && asked && !t.seen && t.prompt != 0:
		// He said it was done before the bus showed it: the clock starts anew.
		t.seen, t.from, t.to, t.known = true, seen.from, seen.to, true
		a.restartClock()
	case (a.stage == settling || a.stage == judging && a.trial.judged < goesOn) && t.lever == f.lever && t.direction == direction && t.seen && t.why != ByBack:
		// He goes on moving it: that is the same change.
		t.to = seen.to
		a.restartClock()
	case !f.roams:
		a.own(f, direction, seen)
	}
}

// saidDone tells whether the operator has said that the change on trial is made.
func (a *Adviser) saidDone() bool {
	return (a.stage == settling || a.stage == judging || a.stage == sampling) && a.trial.prompt != 0
}

// leastOfAsked is the share of an asked step that a lever which roams has to go
// before it counts as the step.
const leastOfAsked = 0.5

// goesFor tells whether what was seen can be the step that was asked for.
func (t *trial) goesFor(seen shift) bool {
	return !t.known || math.Abs(seen.to-seen.from) >= leastOfAsked*math.Abs(t.to-t.from)
}

// goesOn is how many seconds of judging more of the same change only make longer.
const goesOn = 30

// restartClock lets a trial settle again.
func (a *Adviser) restartClock() {
	t := &a.trial
	t.settled, t.judged, t.next = 0, 0, int(t.judgeS)
	a.changed = a.now
	a.amend(t)
	a.fresh()
	a.stage = settling
}

// amend puts what the bus has shown of a change into the journal.
func (a *Adviser) amend(t *trial) {
	for i := len(a.journal) - 1; i >= 0; i-- {
		if e := &a.journal[i]; e.AtNS == t.changed && e.Change.Lever == t.lever.Name {
			e.Change.From, e.Change.To, e.Change.Seen = number(round1(t.from)), number(round1(t.to)), true
			return
		}
	}
}

// own begins the trial of a change that nobody asked for.
func (a *Adviser) own(f *follower, direction string, seen shift) {
	switch a.stage {
	case proposed:
		a.close(ClosedOther)
	case settling, judging, sampling:
		if t := &a.trial; t.why != ByBack && t.of >= 0 {
			same := t.lever == f.lever
			a.unjudged("another setting was changed meanwhile")
			if same && t.direction == knowledge.Opposite(direction) {
				a.debt = nil
			}
		}
		a.stage = idle
	}
	if d := a.debt; d != nil && d.lever == f.lever {
		a.debt = nil // he has moved it himself: what it was is no longer the question
	}
	a.trial = trial{of: -1, lever: f.lever, direction: direction, why: ByOwn, from: seen.from, to: seen.to, known: true, seen: true}
	a.trial.of, a.trial.m = a.purpose(f.lever, direction)
	a.closedAt = signal.Never
	a.begin()
	if a.trial.check != "" || a.before.n < judge.LeastSeconds { // nobody asks for a check to judge what was not asked for
		a.trial.of, a.trial.check = -1, ""
	}
}

// purpose guesses what an own change is for: the first symptom that is there
// and that it may help; else the first that it may help and that can be heard.
func (a *Adviser) purpose(l *knowledge.Lever, direction string) (int, *move) {
	for pass := range 2 {
		for i := range symptoms {
			if pass == 0 && !a.there(i) || !a.heard(i) {
				continue
			}
			for j := range a.moves[i] {
				if m := &a.moves[i][j]; m.lever == l && m.Direction == direction {
					return i, m
				}
			}
		}
	}
	return -1, nil
}

// takenBack: the operator has put the change back himself.
func (a *Adviser) takenBack() {
	t := a.trial
	a.unjudged("it was put back")
	a.debt = nil
	if t.of >= 0 && t.why == ByPrompt {
		a.tryOf(t.of, t.lever.Name, t.direction).Outcome = judge.NoClearChange.String()
	}
	t.from, t.to = t.to, t.from
	t.why, t.direction = ByBack, knowledge.Opposite(t.direction)
	a.trial = t
	a.begin()
}

const (
	// speedOwn is how far the mean ground speed moves by the operator's will;
	// less is the crop's doing.
	speedOwn   = 0.15
	speedOwnS  = 30
	speedFresh = 1.0 / 120
)

// followSpeed keeps an own change of ground speed in the journal. It opens no
// window: who drives by feel changes it all day long.
func (a *Adviser) followSpeed(v float64) {
	if a.speedHeld == 0 {
		a.speedHeld = v
	}
	mean, ok := a.work.meanSpeed(speedOwnS)
	off := a.speedHeld > 0 && ok && a.work.n >= speedOwnS && math.Abs(mean-a.speedHeld) > speedOwn*a.speedHeld
	if !off {
		a.speedOff = 0
		a.speedHeld += speedFresh * (v - a.speedHeld)
		return
	}
	if a.speedOff++; a.speedOff < speedOwnS {
		return
	}
	from := a.speedHeld
	a.speedHeld, a.speedOff = mean, 0
	lever := a.facts.Knowledge.LeverNamed("ground_speed")
	if lever == nil || a.stage != idle {
		return
	}
	t := trial{of: -1, lever: lever, why: ByOwn, from: from, to: mean, known: true, seen: true}
	a.log(&t)
}

// offerBest tells once, at a standstill, what settings worked last time in this
// condition, if they are not those of now.
func (a *Adviser) offerBest() {
	if !a.moment.still || a.moistN == 0 || a.worked < leastJudgeS {
		return
	}
	key := a.condKey()
	if key == a.offered {
		return
	}
	b := a.bestHere()
	if b == nil {
		return
	}
	a.offered = key
	var parts []string
	for _, s := range b.Settings {
		lever := a.facts.Knowledge.LeverNamed(s.Lever)
		if lever == nil {
			continue
		}
		for i := range a.followers {
			f := &a.followers[i]
			if now, ok := f.present(a.now); ok && f.lever == lever && math.Abs(now-s.Value) > f.deadband() {
				parts = append(parts, fmt.Sprintf("%s %s (now %s)", lever.Words, a.setting(s.Value, lever.Unit), a.plain(now, lever.Unit)))
			}
		}
	}
	if len(parts) == 0 {
		return
	}
	a.note(Note{Kind: WorkedBefore, Remark: &Remark{Text: fmt.Sprintf("Last time%s this worked: %s.", a.atMoisture(), strings.Join(parts, ", "))}})
}
