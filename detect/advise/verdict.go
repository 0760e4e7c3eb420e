package advise

import (
	"math"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
)

const (
	leastJudgeS = 60
	// mostJudgeS is the longest that a change is judged by its own windows: by
	// then the crop has changed more than the setting.
	mostJudgeS = 600
	// worth is the change that is looked for, in percent: what a good step of a
	// setting does to a level (common practice, no source).
	worth = 25.0
	// levelTop is the end of a relative level.
	levelTop = 100.0
	// mostWait is how long steady work may take to come about.
	mostWait = 2 * time.Hour
)

// growing are the powers of the feed with which losses and returns grow: about the
// second to the fifth (Multan and others' wheat, the third and more at the rear).
var growing = [2]float64{1, 5}

// criteria of a trial.
func (a *Adviser) criteria(t *trial) judge.Criteria {
	info := &symptoms[t.of]
	c := judge.Criteria{HigherIsBetter: info.higher, OfFeed: a.same(t) == byNothing, WorthPct: worth, Say: a.shown}
	if info.signal {
		c.Top = levelTop
	}
	if info.pressed {
		c.Steep = growing
	}
	return c
}

// same is what the windows of a trial are brought to the same of.
func (a *Adviser) same(t *trial) by {
	id, ok := signal.ByName(t.lever.Signal)
	switch {
	case !symptoms[t.of].signal:
		return byNothing
	case ok && id == signal.GroundSpeed.ID:
		return byThickness
	case ok && id == signal.HeaderHeight.ID && !a.around.byGrain:
		return byNothing // straw that is not taken in is less feed
	}
	return byFeed
}

// changesFeed tells whether it is the lever's way to change the feed.
func (t *trial) changesFeed() bool {
	id, ok := signal.ByName(t.lever.Signal)
	return ok && (id == signal.GroundSpeed.ID || id == signal.HeaderHeight.ID)
}

func (t *trial) sides() []measure {
	if t.m == nil {
		return nil
	}
	return t.m.sides
}

// judge looks at the windows when it is time to.
func (a *Adviser) judge() {
	t := &a.trial
	t.judged++
	switch t.of {
	case rotorSag:
		a.judgeSag()
		return
	case spareCapacity:
		a.judgeSpeed()
		return
	}
	if j := int(t.judgeS); t.judged == j || t.judged == 2*j || t.judged == 4*j {
		if a.plainlyWorse() {
			return
		}
	}
	if t.judged < t.next {
		return
	}
	info, c := &symptoms[t.of], a.criteria(t)
	if t.judged == int(t.judgeS) {
		// How long it takes is planned once, so that nobody looks until it suits.
		a.before.fill(&a.windows[0], info.level, t.sides(), a.same(t))
		if n := judge.Needed(&a.windows[0], c); n == 0 {
			t.next = 3 * int(t.judgeS)
		} else {
			t.next = max(n, int(t.judgeS))
		}
		if t.next = min(t.next, mostJudgeS); t.next > t.judged {
			return
		}
	}
	a.before.fill(&a.windows[0], info.level, t.sides(), a.same(t))
	a.work.fill(&a.windows[1], info.level, t.sides(), a.same(t))
	v := judge.Compare(&a.windows[0], &a.windows[1], c)
	if v.Outcome == judge.CouldNotJudge && t.judged >= 2*int(t.judgeS) && a.alike(t.sides()) {
		v = judge.Compare(&a.windows[0], &a.windows[1], c)
	}
	most := mostJudgeS
	if v.Outcome == judge.CouldNotJudge || v.ResolvablePct > plainPct {
		most = workSeconds // better late than never, or with more certainty
	}
	if v.More && t.judged < most && v.Outcome != judge.Better && v.Outcome != judge.Worse {
		t.next = min(2*t.judged, most)
		return
	}
	a.conclude(&v)
}

// plainlyWorse ends a trial before its time that has made things plainly worse:
// grain is being lost meanwhile. Looking three times more is paid for by asking for
// more certainty.
func (a *Adviser) plainlyWorse() bool {
	t := &a.trial
	info, c := &symptoms[t.of], a.criteria(t)
	c.Alpha = plainly
	a.before.fill(&a.windows[0], info.level, t.sides(), a.same(t))
	a.work.fill(&a.windows[1], info.level, t.sides(), a.same(t))
	v := judge.Compare(&a.windows[0], &a.windows[1], c)
	_, over := a.worseSide(t, &v)
	if v.Outcome != judge.Worse && !over {
		return false
	}
	a.conclude(&v)
	return true
}

// plainly is the chance of taking for worse what is not.
const plainly = 0.001

// judgeSpeed: what a higher ground speed brings is plain arithmetic. What it
// costs is what the windows tell.
func (a *Adviser) judgeSpeed() {
	t := &a.trial
	c := a.criteria(t)
	if t.judged < 2*int(t.judgeS) {
		return
	}
	a.before.fill(&a.windows[0], speedLevel, t.sides(), byNothing)
	a.work.fill(&a.windows[1], speedLevel, t.sides(), byNothing)
	v := judge.Compare(&a.windows[0], &a.windows[1], c)
	now, _ := a.work.meanSpeed(t.judged)
	was, known := a.before.meanSpeed(2 * leastJudgeS)
	v.Level = judge.Level{Outcome: judge.NoClearChange, Before: was, After: now, ChangePct: 100 * (now - was) / max(was, 0.1)}
	v.LowPct, v.HighPct = v.ChangePct, v.ChangePct
	v.Why = ""
	switch {
	case !known:
		v.Level, v.Why = judge.Level{}, "the ground speed before is not known"
	case v.ChangePct >= leastFaster:
		v.Outcome = judge.Better
		a.faster = now
	}
	a.conclude(&v)
}

// leastFaster is the least gain of ground speed that counts, in percent.
const leastFaster = 2.0

// judgeSag: a rotor that sags does so now and then, so nothing but its coming
// again can be told.
func (a *Adviser) judgeSag() {
	t := &a.trial
	switch {
	case t.alarms > 0:
		a.conclude(&judge.Verdict{Level: judge.Level{Outcome: judge.NoClearChange}})
	case t.judged >= 3*leastJudgeS:
		a.conclude(&judge.Verdict{Why: "it has not come again, and that may be chance"})
	}
}

// unjudged ends a trial of which nothing can be told.
func (a *Adviser) unjudged(why string) { a.conclude(&judge.Verdict{Why: why}) }

// conclude gives the verdict and what follows from it.
func (a *Adviser) conclude(v *judge.Verdict) {
	t := a.trial
	said := a.newVerdict(&t, BySensor)
	said.Outcome = v.Outcome.String()
	if v.Why == "" && t.of != rotorSag {
		said.Before, said.After = number(round1(v.Before)), number(round1(v.After))
		said.ChangePct, said.LowPct, said.HighPct = percent(v.ChangePct), percent(v.LowPct), percent(v.HighPct)
	}
	side, over := a.worseSide(&t, v)
	if side >= 0 {
		said.Side = symptoms[side].name
	}
	dear := a.dear(&t, v)
	said.PutBack = dear || a.putsBack(&t, v.Outcome, over) || v.Outcome == judge.CouldNotJudge && !a.looksBetter(&t)
	if v.Outcome == judge.NoClearChange && !over && t.eases() && v.ChangePct <= -max(leastEase, likely*v.ResolvablePct) {
		said.PutBack = false // more crop again would only bring more of it
	}
	if v.Outcome == judge.NoClearChange && !over && a.cured(&t, v) {
		said.PutBack = false
	}
	a.wordVerdict(said, v, side, over)
	if dear && !over {
		said.Text = strings.TrimSuffix(said.Text, ".") + ", by far more than it helped."
	}
	a.learn(&t, v.Outcome, over || dear)
	if over && t.of >= 0 && t.why == ByPrompt && t.steps > 1 && v.Outcome != judge.Worse && v.ChangePct <= -promisingPct {
		if tried := a.tryOf(t.of, t.lever.Name, t.direction); !tried.TooFar {
			tried.TooFar, tried.Outcome = true, ""
		}
	}
	if t.of >= 0 && t.why == ByPrompt && v.Outcome == judge.NoClearChange && !over && way(t.direction) != 0 && !t.changesFeed() {
		tried := a.tryOf(t.of, t.lever.Name, t.direction)
		tried.Promising, tried.Again = v.ChangePct <= -promisingPct, tried.Promising
	}
	a.finish(&t, said)
}

// dear tells of a change that helped little, and made another level worse by far
// more, while what it was for is still over its target: the next step would cost
// more still. A level that is far from its target may rise.
func (a *Adviser) dear(t *trial, v *judge.Verdict) bool {
	if t.of < 0 || t.why != ByPrompt || v.Outcome != judge.Better || symptoms[t.of].higher {
		return false
	}
	if k := &a.symptoms[t.of]; k.basis == "" || v.After < k.target {
		return false
	}
	for i, m := range t.sides() {
		if s := &v.Sides[i]; s.Known && s.Outcome == judge.Worse && s.ChangePct > dearer*-v.ChangePct && a.nearTarget(m, s.After) {
			return true
		}
	}
	return false
}

const (
	dearer = 2.5
	// near is the share of its target from which on a level matters.
	near = 0.7
)

// nearTarget tells whether a level is near the target of the symptom that it
// shows, or whether there is none to say.
func (a *Adviser) nearTarget(m measure, level float64) bool {
	for i := range symptoms {
		if k := &a.symptoms[i]; symptoms[i].level == m && k.basis != "" && level < near*k.target {
			return false
		}
	}
	return true
}

// cured: the level has probably fallen, and is not too high any more. It is not put
// back for want of certainty.
func (a *Adviser) cured(t *trial, v *judge.Verdict) bool {
	if t.of < 0 || t.why != ByPrompt || symptoms[t.of].higher {
		return false
	}
	k := &a.symptoms[t.of]
	return k.basis != "" && v.ChangePct <= -max(promisingPct, likely*v.ResolvablePct) && v.After < k.target
}

// likely is the part of what can be told for sure that is more likely so than not.
const likely = 0.4

// eases tells whether a trial takes crop off something that grows with it.
func (t *trial) eases() bool {
	return t.lever.Name == "ground_speed" && t.direction == knowledge.Down && symptoms[t.of].pressed
}

// promisingPct is the fall, in percent, after which a move that was not clear is
// worth a second try.
const promisingPct = 10.0

// leastEase is the fall, in percent, that a step of ground speed should bring: if
// about that is seen, though not for sure, the step is kept.
const leastEase = 10.0

// looksBetter: where nothing can be told for sure, a change stays only if the
// level is plainly lower than it was: else nobody would know what the next one is
// built on.
func (a *Adviser) looksBetter(t *trial) bool {
	if t.of < 0 || t.why != ByPrompt || way(t.direction) == 0 || t.eases() || t.check != "" || symptoms[t.of].higher {
		return true
	}
	m := symptoms[t.of].level
	was, ok1 := a.before.meanLevel(m, 2*leastJudgeS)
	now, ok2 := a.work.meanLevel(m, 2*leastJudgeS)
	if !ok1 || !ok2 || a.work.n < judge.LeastSeconds {
		return true
	}
	return now < was*(1-worth/100)
}

// worseSide is the symptom that has come out clearly worse, or -1: one that is
// over its target, if there is one.
func (a *Adviser) worseSide(t *trial, v *judge.Verdict) (side int, over bool) {
	side = -1
	for k, m := range t.sides() {
		s := &v.Sides[k]
		if !s.Known || s.Outcome != judge.Worse {
			continue
		}
		for i := range symptoms {
			if symptoms[i].level != m || i == t.of {
				continue
			}
			known := &a.symptoms[i]
			if known.alarm || known.over || known.basis != "" && s.After > known.target {
				return i, true
			}
			if side < 0 {
				side = i
			}
		}
	}
	return side, false
}

// putsBack: what has not helped is put back, so that the state stays known.
// What the operator did by himself is only put back if it was worse. A speed at
// which the rotor still sags is not to be raised again.
func (a *Adviser) putsBack(t *trial, o judge.Outcome, side bool) bool {
	if way(t.direction) == 0 || t.why == ByBack {
		return false
	}
	easing := t.lever.Name == "ground_speed" && t.direction == knowledge.Down && (t.of == rotorSag || t.of == engineLoad)
	switch {
	case easing:
		return false
	case o == judge.Worse || side:
		return true
	case o == judge.NoClearChange:
		return t.why == ByPrompt
	}
	return false
}

// learn keeps what became of a move, so that it is not asked in vain again.
func (a *Adviser) learn(t *trial, o judge.Outcome, side bool) {
	if t.of < 0 || t.why != ByPrompt {
		return
	}
	tried := a.tryOf(t.of, t.lever.Name, t.direction)
	switch {
	case o == judge.CouldNotJudge && !side:
		tried.Unsure++
	case side:
		tried.Outcome = judge.Worse.String()
	default:
		tried.Outcome = o.String()
	}
	if o == judge.Better && !side {
		a.undo(t)
	}
}

// undo: a move that helped one symptom and undoes one that helped another says
// that the other's went too far.
func (a *Adviser) undo(t *trial) {
	back := knowledge.Opposite(t.direction)
	for i := range a.tries {
		o := &a.tries[i]
		if o.of != t.of && o.Lever == t.lever.Name && o.Direction == back && o.Outcome == judge.Better.String() && o.Lever != "ground_speed" {
			o.Outcome = judge.NoClearChange.String()
		}
	}
}

// finish tells the verdict and goes on.
func (a *Adviser) finish(t *trial, said *Verdict) {
	for i := len(a.journal) - 1; i >= 0; i-- {
		if a.journal[i].AtNS == t.changed && a.journal[i].Change.Lever == t.lever.Name {
			kept := *said
			a.journal[i].Verdict = &kept
			break
		}
	}
	a.note(Note{Kind: VerdictGiven, Verdict: said})
	a.stage = idle
	a.hush = a.now.Add(afterVerdict)
	if !said.PutBack && t.why != ByBack && t.m != nil && !t.passing {
		a.wantRisks(t.m)
	}
	if said.PutBack {
		a.debt = &debt{trial: *t, reason: said.Text, after: a.now}
	}
}

// wantRisks asks for the checks of what a kept change may have made worse and
// no sensor tells.
func (a *Adviser) wantRisks(m *move) {
	for _, r := range m.risks {
		if check := symptoms[r].check; (check == TankCheck && a.mayAsk(check) || check == GroundCheck && m.lever.Name == "cut_height") && !a.heard(r) {
			a.want(check, WhyChange, 0)
		}
	}
}

// afterVerdict lets the operator read it.
const afterVerdict = 20 * time.Second

// How a verdict was come by.
const (
	BySensor = "sensor"
	BySample = "sample"
	ByCount  = "count"
)

func (a *Adviser) newVerdict(t *trial, by string) *Verdict {
	v := &Verdict{
		Lever: t.lever.Name, Direction: t.direction, Unit: t.lever.Unit, By: by,
		SettledS: float64(t.settled), JudgedS: float64(t.judged), Changed: t.changed, Judged: a.now,
	}
	if t.why == ByPrompt {
		v.Prompt = t.prompt
	}
	if t.of >= 0 {
		v.Symptom = symptoms[t.of].name
	}
	if t.known {
		v.From, v.To = number(t.from), number(t.to)
	}
	return v
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

// percent is a share that can be told, or nil.
func percent(v float64) *float64 {
	if !finite(v) || math.Abs(v) > 999 {
		return nil
	}
	return number(math.Round(v))
}

// graded is the outcome of a trial that a check has to tell. What lies near the
// edge of a grade comes out on either side of it, by the pieces that happen to be
// in a handful: one grade is no clear change.
func graded(before, after Grade) judge.Outcome {
	switch {
	case before == NotLooked || after == NotLooked:
		return judge.CouldNotJudge
	case after+1 < before:
		return judge.Better
	case after > before+1:
		return judge.Worse
	}
	return judge.NoClearChange
}

// counted compares two counts, in kg/ha with their standard errors, at 1 %
// two-sided, with what places differ by: less is chance.
func counted(before, beforeSE, after, afterSE float64) judge.Outcome {
	se := math.Hypot(math.Hypot(beforeSE, afterSE), placesDiffer*math.Hypot(before, after))
	switch z := (after - before) / se; {
	case !finite(z) || se <= 0:
		return judge.CouldNotJudge
	case z < -z99:
		return judge.Better
	case z > z99:
		return judge.Worse
	}
	return judge.NoClearChange
}

const (
	z99 = 2.576
	// placesDiffer is how much the loss of one stop differs from that of the next,
	// beyond what chance does to kernels (common practice, no source).
	placesDiffer = 0.12
)

// checkedTrial is what a check told of a trial.
type checkedTrial struct {
	judge.Outcome
	by            string
	before, after string
	why           string // it could not be judged
	lower         bool   // it looks better, but may be chance
}

// concludeCheck ends a trial by the check that was asked for. What looks better
// stays: to put it back would be to go against the only thing that is known.
func (a *Adviser) concludeCheck(c checkedTrial) {
	t := a.trial
	lower := c.Outcome == judge.NoClearChange && c.lower
	said := a.newVerdict(&t, c.by)
	said.Outcome = c.Outcome.String()
	said.PutBack = !lower && a.putsBack(&t, c.Outcome, false)
	a.wordSample(said, &c)
	if lower && t.of >= 0 && t.why == ByPrompt {
		a.tryOf(t.of, t.lever.Name, t.direction).Unsure++
	} else {
		a.learn(&t, c.Outcome, false)
	}
	if said.PutBack && t.said != NotLooked {
		// With the old setting it is as it was.
		k := &a.symptoms[t.of]
		k.said, k.loss, k.lossSE = t.said, t.loss, t.se
	}
	a.finish(&t, said)
}
