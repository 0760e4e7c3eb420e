package advise

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// stage is how far the dialogue is; doc.go has the table.
type stage uint8

const (
	idle stage = iota
	proposed
	settling
	judging
	sampling
)

// trial is a change on its way from the prompt to the verdict.
type trial struct {
	of        int // the symptom, or -1: nothing tells what it is for
	m         *move
	lever     *knowledge.Lever
	direction string
	why       string // ByPrompt, ByBack, ByOwn
	prompt    uint64
	from, to  float64
	known     bool    // from and to
	by        float64 // how far, where they are not known and it can be told
	steps     float64

	changed signal.Instant
	seen    bool // on the bus
	settleS float64
	judgeS  float64
	settled int // seconds of steady work
	judged  int
	next    int    // seconds of judging at which to look
	check   string // the check that judges it, or empty
	alarms  int    // raised while judging, for what only alarms tell
	passing bool   // against what came suddenly and may pass by itself

	said     Grade // before
	loss, se float64
}

// debt is a change that is to be put back.
type debt struct {
	trial
	reason string
	after  signal.Instant
	asked  int
}

const (
	// promptFor is how long a prompt waits for an answer.
	promptFor = 3 * time.Minute
	// standFor is that of one that is to be done at a standstill.
	standFor = 20 * time.Minute
	// laterFor is what "later" means; an unanswered prompt means the same, and
	// one after another twice and four times as long.
	laterFor = 15 * time.Minute
	// goneFor is how long a symptom has to be away for its prompt to go.
	goneFor = 10 // s
	// calm is how long work is steady before a prompt.
	calm = 10 * time.Second
	// enough seconds of work before a prompt, so that it can be judged.
	enoughBefore = 300
	// mostBefore is how long it is waited for work that a change of plainPct could be
	// told from.
	mostBefore = 600
	plainPct   = 40
	// afterChange is how long nothing is asked after a change of any setting.
	afterChange = time.Minute
	// sampleFor is how long a check that judges a change is waited for.
	sampleFor = 90 * time.Minute
	// seenLate: a change that is seen so soon after its prompt closed was its doing.
	seenLate = 3 * time.Minute
	// mostAsked is how often one is asked to put the same change back.
	mostAsked = 2
)

// advance moves the dialogue on by a second; worked tells whether it was one of
// steady work.
func (a *Adviser) advance(s *machine.State, worked bool) {
	if (a.stage == settling || a.stage == judging) && a.now.Sub(a.trial.changed) > mostWait {
		if a.trial.of >= 0 && a.trial.why != ByBack {
			a.unjudged("work did not go on")
		}
		a.stage = idle
	}
	switch a.stage {
	case idle:
		a.propose(s)
	case proposed:
		a.await()
	case settling:
		if worked {
			a.settle()
		}
	case judging:
		if worked {
			a.judge()
		}
	case sampling:
		if a.now.Sub(a.trial.changed) > sampleFor {
			a.unjudged("nobody looked at a sample")
		}
	}
}

// propose opens a prompt if there is one to open and the moment is right.
func (a *Adviser) propose(s *machine.State) {
	standing := a.moment.standing
	right := a.moment.steadyFor(a.now, calm) && s.Activity == machine.Cutting
	if !right && !standing || a.now.Sub(a.changed) < afterChange && a.changed != signal.Never {
		return
	}
	if d := a.debt; d != nil && a.now >= d.after {
		stopped := d.m != nil && d.m.stopped
		if stopped == standing && a.pace.allows(a.now, true) {
			a.openBack(d)
		}
		return
	}
	if !a.pace.allows(a.now, false) || a.now < a.hush {
		return
	}
	c, found := a.choose(standing)
	if !found || a.urgent() && c.of != rotorSag && c.of != engineLoad {
		return
	}
	urgent := a.symptoms[c.of].sudden > 0 || c.of == rotorSag || c.of == engineLoad
	if !standing && !urgent && (a.work.n < enoughBefore || a.work.n < mostBefore && !a.canJudge(&c)) {
		return
	}
	if standing && a.work.n < enoughBefore && c.m.Direction != knowledge.Look && a.judgedBy(c.of) == "" && symptoms[c.of].level != noMeasure {
		return // what is set by hand costs a stop: not for a change that nobody could judge
	}
	a.openMove(c)
}

// canJudge tells whether the work so far is enough to tell later what a move did.
// It is looked at now and then only.
func (a *Adviser) canJudge(c *choice) bool {
	switch {
	case c.of == spareCapacity || a.judgedBy(c.of) != "" || symptoms[c.of].level == noMeasure || a.work.n == 0:
		return true
	case a.work.n%30 != 0:
		return false
	}
	t := trial{of: c.of, m: c.m, lever: c.m.lever, direction: c.m.Direction}
	want := a.criteria(&t)
	want.WorthPct = plainPct
	a.work.fill(&a.windows[0], symptoms[c.of].level, nil, a.same(&t))
	return judge.Needed(&a.windows[0], want) > 0
}

func (a *Adviser) openMove(c choice) {
	m := c.m
	a.trial = trial{
		of: c.of, m: m, lever: m.lever, direction: m.Direction, why: ByPrompt, steps: c.steps,
		from: c.reach.from, to: c.reach.to, known: c.reach.known, by: c.reach.by, passing: a.passing(c.of),
	}
	p := a.newPrompt(m.stopped)
	a.wordMove(p, &c)
	a.open(p)
}

func (a *Adviser) openBack(d *debt) {
	a.trial = d.trial
	a.trial.why = ByBack
	a.trial.from, a.trial.to = d.to, d.from
	a.trial.direction = knowledge.Opposite(d.direction)
	d.asked++
	p := a.newPrompt(d.m != nil && d.m.stopped)
	p.Back = true
	a.wordBack(p, d)
	a.open(p)
}

func (a *Adviser) newPrompt(stopped bool) *Prompt {
	a.prompts++
	p := &Prompt{ID: a.prompts, Stopped: stopped, Opened: a.now, Answers: answersTo(stopped), Lever: a.trial.lever.Name,
		Direction: a.trial.direction, Unit: a.trial.lever.Unit}
	if a.trial.of >= 0 {
		p.Symptom = symptoms[a.trial.of].name
	}
	p.Expires = a.now.Add(promptFor)
	if stopped {
		p.Expires = a.now.Add(standFor)
	}
	if a.trial.why != ByBack {
		p.Check = a.judgedBy(a.trial.of)
	}
	if a.trial.known {
		p.From, p.To = number(a.trial.from), number(a.trial.to)
	} else if a.trial.by > 0 {
		p.By = number(a.trial.by)
	}
	return p
}

func number(v float64) *float64 { return &v }

func answersTo(bool) []string {
	return []string{Done.String(), Later.String(), NotPossible.String()}
}

func (a *Adviser) open(p *Prompt) {
	a.trial.prompt = p.ID
	a.prompt = p
	a.stage = proposed
	a.gone = 0
	a.pace.open(a.now)
	told := *p
	a.note(Note{Kind: PromptOpened, Prompt: &told})
}

// close ends the open prompt.
func (a *Adviser) close(how string) {
	told := *a.prompt
	told.Closed = how
	a.closed, a.closedAt = a.trial, a.now
	a.prompt = nil
	a.stage = idle
	a.note(Note{Kind: PromptClosed, Prompt: &told})
}

// await waits for what becomes of the open prompt.
func (a *Adviser) await() {
	t := &a.trial
	if t.why == ByPrompt && t.of >= 0 && !a.there(t.of) {
		if a.gone++; a.gone > goneFor {
			a.close(ClosedGone)
			return
		}
	} else {
		a.gone = 0
	}
	if a.now >= a.prompt.Expires {
		a.postpone()
		a.ignored++
		a.close(ClosedExpired)
		return
	}
	if t.m != nil && t.m.driving && t.known && a.movedSpeed(t) {
		a.done(true)
	}
}

// movedSpeed tells whether the ground speed has gone where the prompt asked.
func (a *Adviser) movedSpeed(t *trial) bool {
	v, ok := a.work.meanSpeed(speedSeconds)
	dir := way(t.direction)
	if ok && dir*(v-t.from) >= 0.5*dir*(t.to-t.from) {
		a.speedMoved++
	} else {
		a.speedMoved = 0
	}
	return a.speedMoved > speedSeconds
}

const speedSeconds = 6

// postpone holds what the open prompt is about for a quarter of an hour.
func (a *Adviser) postpone() {
	switch {
	case a.trial.why == ByBack && a.debt != nil:
		a.debt.after = a.now.Add(laterFor)
		if a.debt.asked >= mostAsked {
			a.debt = nil
		}
	case a.trial.of >= 0:
		a.symptoms[a.trial.of].heldTo = a.now.Add(laterFor << min(a.ignored, 2))
	}
}

// leave closes the prompt if the machine came to do something else.
func (a *Adviser) leave(s *machine.State) {
	if a.stage != proposed {
		return
	}
	unloading, _ := signal.Unloading.Fresh(&s.Signals, s.Now)
	away := s.Activity != machine.Cutting || unloading.On()
	if a.prompt.Stopped {
		away = !a.moment.standing
	}
	if !away {
		return
	}
	if of := a.trial.of; of >= 0 && a.trial.why == ByPrompt {
		a.symptoms[of].heldTo = a.now.Add(movedFor << min(a.cut, 3))
		a.cut++
	}
	a.close(ClosedMoved)
}

// movedFor is how long a prompt rests that a turn has cut short, and one after
// another twice as long: in short passes it would only flicker.
const movedFor = 2 * time.Minute

// done: what the open prompt asked for has been done.
func (a *Adviser) done(seen bool) {
	a.ignored, a.cut = 0, 0
	a.trial.seen = seen
	a.close(ClosedDone)
	a.begin()
}

// begin starts the trial's clock: the change has just been made.
func (a *Adviser) begin() {
	t := &a.trial
	t.changed = a.now
	a.changed = a.now
	t.settled, t.judged, t.alarms = 0, 0, 0
	t.settleS, t.judgeS = max(t.lever.SettleS, 15), max(t.lever.JudgeS, leastJudgeS)
	t.next = int(t.judgeS)
	if t.check = a.judgedBy(t.of); t.check != "" {
		known := &a.symptoms[t.of]
		t.settleS = max(t.settleS, t.lever.SampleS)
		t.said, t.loss, t.se = known.said, known.loss, known.lossSE
	}
	if t.why == ByBack {
		a.debt = nil
	}
	a.log(t)
	a.before.take(&a.work)
	a.fresh()
	if t.m != nil && t.why != ByBack {
		a.age(t.m)
	}
	a.stage = settling
}

// judgedBy is the check that tells of a symptom what no sensor does, or empty.
func (a *Adviser) judgedBy(of int) string {
	if of < 0 || symptoms[of].level != noMeasure && a.heard(of) {
		return ""
	}
	return symptoms[of].check
}

// fresh forgets the levels of before a change.
func (a *Adviser) fresh() {
	a.work.clear()
	a.around.roomN = 0
	for i := range a.symptoms {
		a.symptoms[i].restart()
	}
}

// age makes what checks have told of a lever's risks a thing of the past.
func (a *Adviser) age(m *move) {
	for _, r := range m.risks {
		a.symptoms[r].stale = a.symptoms[r].said != NotLooked
	}
}

// wouldSee tells whether the bus shows where the lever stands.
func (a *Adviser) wouldSee(t *trial) bool {
	if t.m == nil || t.m.follower < 0 || way(t.direction) == 0 || !t.known {
		return false
	}
	f := &a.followers[t.m.follower]
	if f.roams {
		return false
	}
	_, has := f.present(a.now)
	return has && a.now.Sub(f.heard) < time.Minute
}

// settle waits for steady work to show the new setting.
func (a *Adviser) settle() {
	t := &a.trial
	t.settled++
	a.work.clear()
	if float64(t.settled) < t.settleS {
		return
	}
	a.fresh()
	switch {
	case t.why == ByBack || t.of < 0:
		a.stage = idle
	case !t.seen && a.wouldSee(t):
		a.unjudged("the bus shows no change of " + t.lever.Words)
	case t.passing:
		a.unjudged("it came suddenly, and may have passed by itself")
	case t.check != "":
		a.stage = sampling
		a.want(t.check, WhyChange, t.prompt)
	default:
		a.stage = judging
	}
}
