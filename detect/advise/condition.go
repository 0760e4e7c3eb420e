package advise

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// surroundings are what conditions rest on beside the symptoms.
type surroundings struct {
	load     float64 // smoothed over some seconds of work, %
	fullness float64
	loadN    int
	fullN    int
	room     float64 // fullness over some minutes
	roomN    int
	slope    float64 // the larger of roll and pitch, degrees, smoothed
	byGrain  bool    // the feed is measured by the grain
	climbing bool    // unloading on the go on a climb, some time in the last minutes
	climbed  signal.Instant

	seen    [4]observed // straw-fine, straw-damp, grain-at-back, lodged
	returns Mix
	behind  Grade // unthreshed heads behind the machine
}

type observed struct {
	is, told bool
	at       signal.Instant
}

var observations = [4]string{knowledge.StrawFine, knowledge.StrawDamp, knowledge.GrainAtBack, knowledge.Lodged}

const (
	highLoad     = 90.0 // %
	highFullness = 95.0
	lowFullness  = 75.0
	steep        = 4.0 // degrees
	aroundShare  = 1.0 / 200
	// A thin patch is no reason to drive faster for good.
	roomShare = 1.0 / 3000
	roomFrom  = 2400 // steps: 4 minutes
	lowRoom   = 65.0 // %
	// seenFor: what the operator has seen of the straw holds for so long.
	seenFor = 4 * time.Hour
	climbed = 15 * time.Minute
)

func (w *surroundings) step(s *machine.State, steady bool) {
	if pitch, ok := signal.Pitch.Fresh(&s.Signals, s.Now); ok && finite(float64(pitch)) {
		roll, _ := signal.Roll.Fresh(&s.Signals, s.Now)
		now := math.Max(math.Abs(float64(pitch)), math.Abs(float64(roll)))
		if finite(now) {
			w.slope += aroundShare * (now - w.slope)
		}
		on, _ := signal.Unloading.Fresh(&s.Signals, s.Now)
		if on.On() && s.Activity == machine.Cutting && float64(pitch) > steep {
			w.climbing, w.climbed = true, s.Now
		}
	}
	if w.climbing && s.Now.Sub(w.climbed) > climbed {
		w.climbing = false
	}
	if !steady {
		return
	}
	w.byGrain = s.Feed.Basis == machine.FromGrainFlow
	if v, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now); ok && finite(float64(v)) {
		w.load, w.loadN = begin(w.load, float64(v), w.loadN), w.loadN+1
	}
	if v := float64(s.Feed.Fullness); s.Feed.FullnessKnown && finite(v) {
		w.fullness, w.fullN = begin(w.fullness, v, w.fullN), w.fullN+1
		w.roomN++
		w.room += max(roomShare, 1/float64(w.roomN)) * (v - w.room)
	}
}

// begin is a mean of some seconds that begins with its first value.
func begin(mean, v float64, n int) float64 {
	if n == 0 {
		return v
	}
	return mean + aroundShare*(v-mean)
}

// answer is whether a condition holds. One that is not known may be asked for
// by a check.
type answer struct {
	holds, known bool
	ask          string
}

func is(yes bool) answer            { return answer{holds: yes, known: true} }
func unknown(check string) answer   { return answer{ask: check} }
func (a *Adviser) under(i int) bool { return a.symptoms[i].fine(&symptoms[i]) }
func (a *Adviser) heard(i int) bool { return a.symptoms[i].seconds > 0 }
func (t *symptom) checked() bool    { return t.said != NotLooked && !t.stale }
func (t *symptom) threshes() answer { return answer{known: t.checked(), ask: TankCheck} }

// there tells whether a symptom is there. Loss is taken as a whole only where
// no sensor divides it.
func (a *Adviser) there(i int) bool {
	t := &a.symptoms[i]
	if i == cropLoss && !t.alarm && (a.heard(separationLoss) || a.heard(cleaningLoss)) {
		return false
	}
	if i == spareCapacity && a.around.fullN > 0 && (a.around.roomN < roomFrom || a.around.room >= lowRoom) {
		return false
	}
	return t.active(&symptoms[i])
}

// condition judges a condition of a move for a symptom.
func (a *Adviser) condition(name string, of int) answer {
	w := &a.around
	switch name {
	case knowledge.Sudden:
		return is(a.symptoms[of].sudden > 0 || of == rotorSag && a.symptoms[of].alarm)
	case knowledge.LoadHigh:
		return is(w.loadN > 0 && w.load > highLoad || w.fullN > 0 && w.fullness > highFullness || a.there(engineLoad))
	case knowledge.LoadLow:
		return answer{holds: w.fullN > 0 && w.fullness < lowFullness, known: w.fullN > 0}
	case knowledge.LossLow:
		if !a.roomForMore() {
			return is(false)
		}
		return a.lossesLow()
	case knowledge.SeparationLow:
		return a.low(separationLoss)
	case knowledge.CleaningLow:
		return a.low(cleaningLoss)
	case knowledge.CleaningHigh:
		return is(a.there(cleaningLoss))
	case knowledge.BrokenFine:
		if a.there(brokenGrain) {
			return is(false)
		}
		return answer{holds: a.under(brokenGrain), known: a.under(brokenGrain), ask: TankCheck}
	case knowledge.UnthreshedSeen, knowledge.UnthreshedNone:
		t := &a.symptoms[unthreshed]
		r := t.threshes()
		r.holds = r.known && (t.said > None) == (name == knowledge.UnthreshedSeen)
		return r
	case knowledge.TankOnly:
		t := &a.symptoms[unthreshed]
		if !t.checked() {
			return unknown(TankCheck)
		}
		return answer{holds: t.said > Little && w.behind == None, known: w.behind != NotLooked, ask: GroundCheck}
	case knowledge.ReturnsHigh:
		return is(a.there(returns))
	case knowledge.ReturnsClean:
		return a.mixIs(CleanGrain)
	case knowledge.ReturnsHeads:
		return a.mixIs(Heads)
	case knowledge.ReturnsChaff:
		return a.mixIs(Chaff)
	case knowledge.Slope:
		return is(w.slope > steep)
	case knowledge.UnloadingUphill:
		return is(w.climbing)
	}
	for i, seen := range observations {
		if name == seen {
			o := &w.seen[i]
			told := o.told && a.now.Sub(o.at) <= seenFor
			return answer{holds: told && o.is, known: told}
		}
	}
	return answer{}
}

func (a *Adviser) mixIs(m Mix) answer {
	known := a.around.returns != MixNotLooked
	return answer{holds: a.around.returns == m, known: known, ask: ReturnsCheck}
}

// low: a loss is heard or counted, and under its target.
func (a *Adviser) low(i int) answer {
	switch {
	case a.there(i):
		return is(false)
	case a.under(i):
		return is(true)
	case a.symptoms[cropLoss].checked():
		return is(a.symptoms[cropLoss].said <= Little)
	}
	return unknown(GroundCheck)
}

// roomForMore tells whether all that grows with the crop is far enough under its
// target for a step more of ground speed. With the third to fourth power of
// feed, 7 % more speed is a quarter more loss.
func (a *Adviser) roomForMore() bool {
	for _, i := range [...]int{separationLoss, cleaningLoss, cropLoss, returns, trash} {
		t := &a.symptoms[i]
		if t.basis != "" && t.seconds > 0 && t.lasting > roomUnder*t.target {
			return false
		}
	}
	return !a.there(headerLoss)
}

const roomUnder = 0.8

// lossesLow: no loss is over its target, and all are heard or counted.
func (a *Adviser) lossesLow() answer {
	for _, i := range [...]int{separationLoss, cleaningLoss, cropLoss} {
		if a.there(i) {
			return is(false)
		}
	}
	if a.under(cropLoss) || a.under(separationLoss) && a.under(cleaningLoss) {
		return is(true)
	}
	return unknown(GroundCheck)
}

// allows judges all conditions of a move. ask is the check that would tell
// what is not known.
func (a *Adviser) allows(m *move, of int) (ok bool, ask string) {
	for _, name := range m.When {
		r := a.condition(name, of)
		switch {
		case r.holds:
		case r.known || r.ask == "":
			return false, ""
		case ask == "":
			ask = r.ask
		}
	}
	for _, name := range m.Unless {
		if a.condition(name, of).holds {
			return false, ""
		}
	}
	return ask == "", ask
}
