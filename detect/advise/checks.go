package advise

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// wanted is a check that is wanted of the operator. It is asked at a standstill
// only.
type wanted struct {
	CheckWanted
	is    bool
	asked bool
	since signal.Instant
}

// The checks that can be wanted, in the order in which they are asked.
const (
	tankWanted = iota
	returnsWanted
	groundWanted
	checkCount
)

var checkNames = [checkCount]string{TankCheck, ReturnsCheck, GroundCheck}

var checkTexts = [checkCount]string{
	"Look at a sample from the tank",
	"Look at what is in the returns",
	"Count the loss on the ground, engine off and key out",
}

// Why a check is wanted (CheckWanted.Why).
const (
	WhyNewCrop  = "new-crop"
	WhyNewField = "new-field"
	WhyWeather  = "weather"
	WhyTime     = "twice-a-day"
	WhyChange   = "change" // it judges a change, or shows what a change did
	WhyChoice   = "choice" // what to do depends on it
)

func checkNamed(name string) int {
	for i, n := range checkNames {
		if n == name {
			return i
		}
	}
	return -1
}

const (
	// workBeforeCheck: a check tells nothing of a crop that has just been begun.
	workBeforeCheck = 5 * 60 // s of steady work
	// twiceADay: re-check at least twice a day, and when the weather changes
	// (Farm Weekly and Birchip Cropping Group, as extension practice).
	twiceADay = 5 * time.Hour
	// weatherMoves is how far the grain's moisture has to have moved.
	weatherMoves = 2.0 // points
	// stillFor: a machine that only halts for a moment is not stopped.
	stillFor = 3 * time.Second
	// checkAgain is how long an unanswered check rests.
	checkAgain = 2 * time.Hour
	// choiceAgain is how long a check that was answered is not asked again for a
	// choice.
	choiceAgain = 30 * time.Minute
)

// want notes that a check is wanted.
func (a *Adviser) want(check, why string, prompt uint64) {
	i := checkNamed(check)
	if i < 0 {
		return
	}
	w := &a.wants[i]
	if w.is {
		if prompt != 0 && w.Prompt != prompt {
			w.Prompt, w.Why = prompt, why
			w.asked = false
		}
		return
	}
	*w = wanted{is: true, since: a.now, CheckWanted: CheckWanted{Check: check, Why: why, Text: checkTexts[i], Prompt: prompt}}
}

// mayAsk tells whether a check may be asked for the sake of a choice.
func (a *Adviser) mayAsk(check string) bool {
	i := checkNamed(check)
	if i < 0 {
		return false
	}
	if a.wants[i].is {
		return true
	}
	last, again := a.checked[i], choiceAgain
	if check == GroundCheck {
		again = checkAgain // it takes some minutes
	}
	return last.at == signal.Never || a.now.Sub(last.at) >= again
}

// lastCheck is when a check was last made or given up, and in what moisture.
type lastCheck struct {
	at    signal.Instant
	moist float64 // NaN if it was not known
	made  bool
}

// remind wants what is due.
func (a *Adviser) remind() {
	if a.worked < workBeforeCheck {
		return
	}
	for _, i := range [...]int{tankWanted, groundWanted} {
		last := &a.checked[i]
		moist, known := a.moisture()
		switch {
		case a.wants[i].is:
		case last.at == signal.Never:
			why := WhyNewCrop
			if a.newField {
				why = WhyNewField
			}
			a.want(checkNames[i], why, 0)
		case known && last.made && math.Abs(moist-last.moist) >= weatherMoves:
			last.moist = moist
			a.want(checkNames[i], WhyWeather, 0)
		case a.now.Sub(last.at) >= twiceADay:
			a.want(checkNames[i], WhyTime, 0)
		}
	}
}

// askChecks asks what is wanted while the machine stands, and gives up what
// nobody has answered.
func (a *Adviser) askChecks(s *machine.State) {
	still := a.moment.still && s.Now.Sub(a.moment.stillFrom) >= stillFor &&
		s.Activity != machine.Unloading && s.Activity != machine.Blocked && s.Activity != machine.Cutting
	for i := range a.wants {
		w := &a.wants[i]
		switch {
		case !w.is:
		case w.asked && a.now.Sub(w.since) > checkAgain:
			told := w.CheckWanted
			*w = wanted{}
			a.checked[i].at = a.now
			a.note(Note{Kind: CheckWithdrawn, Check: &told})
		case still && !w.asked:
			a.checks++
			w.ID, w.Asked, w.asked, w.since = a.checks, a.now, true, a.now
			told := w.CheckWanted
			a.note(Note{Kind: CheckAsked, Check: &told})
		}
	}
}

// answered takes a check off the list, and gives its ID if it had been asked.
func (a *Adviser) answered(i int) (id uint64) {
	if a.wants[i].asked {
		id = a.wants[i].ID
	}
	a.wants[i] = wanted{}
	moist, known := a.moisture()
	if !known {
		moist = math.NaN()
	}
	a.checked[i] = lastCheck{at: a.now, moist: moist, made: true}
	return id
}
