package advise

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// Facts are what the adviser needs to know beforehand.
type Facts struct {
	Machine   machine.Settings
	Crop      machine.Crop
	Knowledge *knowledge.Base
	// TargetPct are the targets that the owner has set ([alarm.KIND]
	// target_pct), by symptom; that of header loss, which no sensor tells, is in
	// percent of the crop. Look them up by name.
	TargetPct map[string]float64
	// Units are those of the texts, metric unless they are US. Numbers beside the
	// texts are metric.
	Units signal.System
}

// Adviser is the whole dialogue. It is meant for one goroutine.
type Adviser struct {
	facts Facts
	moves [symptomCount][]move

	now  signal.Instant
	out  []Note
	told uint64 // notes
	tick int    // steps in this second

	symptoms  [symptomCount]symptom
	around    surroundings
	moment    moment
	gather    gather
	work      work // with the present settings
	before    work // with those before the trial's change
	followers []follower
	windows   [2]judge.Window
	curves    [2]judge.LossCurve // of separation and cleaning loss
	moist     float64            // of the grain, mean of minutes
	moistN    int
	worked    int                // seconds of work in this crop and field
	alarms    [mostUrgent]uint64 // numbers of the urgent ones that are active

	stage      stage
	trial      trial
	prompt     *Prompt // the open one
	closed     trial   // of the prompt that closed last
	closedAt   signal.Instant
	debt       *debt
	pace       pace
	hush       signal.Instant // no prompt before
	changed    signal.Instant // when a setting was last changed
	ignored    int            // prompts in a row that nobody answered
	cut        int            // prompts in a row that a turn has cut short
	gone       int            // seconds for which the open prompt's symptom has been away
	speedMoved int
	speedHeld  float64 // the usual ground speed, 0 until known
	speedOff   int
	faster     float64 // the ground speed that was last asked for to fill the machine

	wants     [checkCount]wanted
	checked   [checkCount]lastCheck
	prompts   uint64
	checks    uint64
	headerPct float64 // what may be lost at the header, in % of the crop; 0: by rule
	field     string
	newField  bool

	journal   []JournalEntry
	tries     []try
	best      []Best
	elsewhere []Calibration // of other crops and fields
	fine      int           // seconds of work with nothing wrong
	offered   conditionKey  // for which what worked has been told
}

// New makes an adviser. A knowledge that is nil or empty gives one that never
// asks for a change.
func New(f Facts) *Adviser {
	a := &Adviser{facts: f, work: newWork(), before: newWork(), moment: newMoment(), pace: newPace(),
		hush: signal.Never, changed: signal.Never, closedAt: signal.Never}
	a.offered.band = -2
	if a.facts.Knowledge == nil {
		a.facts.Knowledge = &knowledge.Base{}
	}
	for i := range a.symptoms {
		a.symptoms[i].heldTo = signal.Never
		a.symptoms[i].setMoist = math.NaN()
	}
	for i := range a.checked {
		a.checked[i].at = signal.Never
	}
	a.prepare()
	a.setTargets(f.TargetPct)
	return a
}

// stepsASecond of event time.
const stepsASecond = int(time.Second / machine.Period)

// Step judges a state, with the alarms that came or went with it, in the order
// in which package detect told them. The notes are valid until the next call
// of any method.
func (a *Adviser) Step(s *machine.State, events []detect.Event) []Note {
	a.out = a.out[:0]
	a.rest(s.Now)
	a.now = s.Now
	a.hear(events)
	a.moment.step(s)
	a.around.step(s, a.moment.steady)
	for i := range a.followers {
		a.followers[i].step(s)
	}
	if a.moment.steady {
		a.gather.step(s)
	}
	a.leave(s)
	if a.tick++; a.tick >= stepsASecond {
		a.tick = 0
		a.second(s)
	}
	return a.out
}

// second is what is done once a second.
func (a *Adviser) second(s *machine.State) {
	one, worked := a.gather.close(s.Now)
	if worked {
		a.learnSecond(&one)
	}
	for i := range a.followers {
		if seen, ok := a.followers[i].second(a.now); ok {
			a.shifted(&a.followers[i], seen)
		}
	}
	if worked {
		a.followSpeed(one.speed)
		a.remember()
	}
	a.advance(s, worked)
	a.remind()
	a.askChecks(s)
	a.offerBest()
}

// learnSecond takes a second of steady work.
func (a *Adviser) learnSecond(one *second) {
	a.worked++
	a.work.add(one)
	for i := range symptoms {
		m := symptoms[i].level
		if m == noMeasure {
			continue
		}
		a.symptoms[i].second(one.level[m], one.heard[m], symptoms[i].higher)
	}
	if finite(one.moisture) {
		a.moistN++
		a.moist += max(1.0/120, 1/float64(a.moistN)) * (one.moisture - a.moist)
	}
	if finite(one.feed) {
		for k, m := range [...]measure{separationLevel, cleaningLevel} {
			if one.heard[m] {
				a.curves[k].Add(one.feed, one.level[m])
			}
		}
	}
}

// feedAtTarget is the feed at which a loss reaches its target with the present
// settings, as learned.
func (a *Adviser) feedAtTarget(of int) (float64, bool) {
	k := of - separationLoss
	if k < 0 || k >= len(a.curves) || a.symptoms[of].basis == "" {
		return 0, false
	}
	return a.curves[k].Feed(a.symptoms[of].target)
}

// hear takes alarms that came or went.
func (a *Adviser) hear(events []detect.Event) {
	for i := range events {
		e := &events[i]
		a.rate(e)
		for j := range symptoms {
			if symptoms[j].alarm == "" || symptoms[j].alarm != e.Kind {
				continue
			}
			t := &a.symptoms[j]
			switch e.Phase {
			case detect.Raised:
				t.alarm, t.ended, t.quietS = true, false, 0
				if a.stage == judging && a.trial.of == j {
					a.trial.alarms++
				}
			case detect.Ended:
				t.ended, t.quietS = true, 0
			}
		}
	}
}

// rate keeps the numbers of the urgent alarms that are active: meanwhile the
// operator has no ear for a setting.
func (a *Adviser) rate(e *detect.Event) {
	free := -1
	for i, n := range a.alarms {
		switch n {
		case e.Number:
			if e.Phase == detect.Ended {
				a.alarms[i] = 0
			}
			return
		case 0:
			free = i
		}
	}
	if free >= 0 && e.Priority == detect.High && e.Phase != detect.Ended {
		a.alarms[free] = e.Number
	}
}

func (a *Adviser) urgent() bool { return a.alarms != [mostUrgent]uint64{} }

// mostUrgent alarms are kept at once.
const mostUrgent = 8

// rest begins a new day after a long pause.
func (a *Adviser) rest(now signal.Instant) {
	if a.told > 0 && now.Sub(a.now) > newDay {
		a.newDay()
	}
}

// newDay forgets what was tried.
func (a *Adviser) newDay() {
	a.journal, a.tries, a.debt = nil, nil, nil
	if a.stage != proposed {
		a.stage = idle
	}
	for i := range a.symptoms {
		t := &a.symptoms[i]
		t.said, t.exhausted, t.heldTo = NotLooked, false, signal.Never
	}
	a.offered.band = -2
	a.worked = 0
	for i := range a.checked {
		a.checked[i].at = signal.Never
	}
}

// Reset is called at a new segment with the alarms that ended the old one: what
// was being judged is given up.
func (a *Adviser) Reset(events []detect.Event) []Note {
	a.out = a.out[:0]
	a.hear(events)
	if a.stage == proposed {
		a.close(ClosedMoved)
	}
	if a.stage == judging || a.stage == settling && a.trial.why != ByBack && a.trial.of >= 0 {
		a.unjudged("the bus was away meanwhile")
	}
	if a.stage == settling {
		a.stage = idle
	}
	a.alarms = [mostUrgent]uint64{}
	a.moment = newMoment()
	a.gather = gather{}
	a.around.loadN, a.around.fullN = 0, 0
	a.fresh()
	for i := range a.followers {
		a.followers[i].forget()
	}
	return a.out
}

// note tells something.
func (a *Adviser) note(n Note) {
	a.told++
	n.Number, n.At = a.told, a.now
	a.out = append(a.out, n)
}

// Answer takes what the operator answers, at the newest step.
func (a *Adviser) Answer(answer Answer) []Note {
	a.out = a.out[:0]
	t := &a.trial
	switch {
	case a.stage == proposed && a.prompt.ID == answer.Prompt:
		a.ignored, a.cut = 0, 0
		switch answer.Reply {
		case Done:
			if answer.To != nil && finite(*answer.To) && t.known {
				t.to = *answer.To
			}
			a.done(false)
		case NotPossible:
			a.notPossible()
			a.close(ClosedNotPossible)
		case Later, PutBack:
			a.postpone()
			a.close(ClosedLater)
		}
	case answer.Reply == PutBack && a.prompt == nil && t.prompt == answer.Prompt && t.why != ByBack &&
		(a.stage == settling || a.stage == judging || a.stage == sampling):
		a.takenBack()
	}
	return a.out
}

// notPossible drops the lever for this symptom for the day.
func (a *Adviser) notPossible() {
	t := &a.trial
	switch {
	case t.why == ByBack:
		a.debt = nil
	case t.of >= 0:
		a.tryOf(t.of, t.lever.Name, t.direction).Outcome = outcomeNotPossible
	}
}

// Check takes what he has looked at.
func (a *Adviser) Check(check Check) []Note {
	a.out = a.out[:0]
	check = check.clean()
	a.take(&check)
	return a.out
}

// Open is the open prompt, or nil. It is not to be changed.
func (a *Adviser) Open() *Prompt { return a.prompt }

// Wanted lists the checks that have been asked for and not been made.
func (a *Adviser) Wanted() []CheckWanted {
	var all []CheckWanted
	for i := range a.wants {
		if a.wants[i].asked {
			all = append(all, a.wants[i].CheckWanted)
		}
	}
	return all
}

// Wrong lists the symptoms that are there, in the order of knowledge.Symptoms.
func (a *Adviser) Wrong() []string {
	var all []string
	for i := range symptoms {
		if a.there(i) {
			all = append(all, symptoms[i].name)
		}
	}
	return all
}
