package advise

import (
	"time"

	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
)

// maxSides is how many levels a trial watches beside its symptom.
const maxSides = judge.MaxSides

// choice is the one move that comes next.
type choice struct {
	of    int
	m     *move
	reach reach
	steps float64
	held  *move // a move before it that a limit of the owner's forbids, or nil
	limit float64
}

// choose looks for the next move: of the symptoms that are there the first that
// has one. Moves for the seat are looked for while working, those that need the
// machine stopped while it stands. What a symptom lacks is told or asked for.
func (a *Adviser) choose(standing bool) (choice, bool) {
	for pass := range 2 {
		for i := range symptoms {
			t := &a.symptoms[i]
			if !a.there(i) || (t.sudden > 0 || i == rotorSag) != (pass == 0) || a.now < t.heldTo {
				continue
			}
			if t.basis != "" && t.sudden == 0 && t.seconds > 0 && (t.slow < t.target || t.lasting < worthAsking*t.target) {
				continue // it is about to go, or has not been there for long
			}
			if t.basis != "" && t.sudden == 0 && t.seconds > 0 && t.lasting < (overMargin+min(patience*float64(a.vain(i)), mostPatience))*t.target {
				if a.vain(i) > 1 {
					a.nothingMore(i, nil, 0, "", "it is a little over its target, and what was tried has not helped")
				}
				continue
			}
			c, found := a.chooseFor(i, standing)
			if found {
				return c, true
			}
		}
	}
	return choice{}, false
}

const (
	// worthAsking is how far over its target a level has been for some minutes.
	worthAsking = 1.05
	// patience: the more has been tried in vain today, the further over its target
	// a level has to be for more.
	patience     = 0.1
	mostPatience = 0.3
)

// vain is how many changes against a symptom have not helped today, after the
// first.
func (a *Adviser) vain(of int) int {
	n := 0
	for i := range a.journal {
		v := a.journal[i].Verdict
		if v != nil && v.Prompt != 0 && v.Symptom == symptoms[of].name && v.PutBack {
			n++
		}
	}
	return max(n-1, 0)
}

// order of a move among those of its symptom: the knowledge's, but ground speed
// comes first when the trouble came suddenly, and is left for last while it is
// steady and the machine has room: then the fault is a setting's.
func (a *Adviser) rank(m *move, of int) int {
	if a.promising(of, m) {
		return 3
	}
	if !m.driving || m.Direction != knowledge.Down {
		return 1
	}
	sudden := symptoms[of].pressed && (a.symptoms[of].sudden > 0 || of == rotorSag)
	switch {
	case sudden:
		return 0
	case len(m.When) > 0 || of == engineLoad || of == unevenFeed || of == headerLoss:
		return 1
	case a.condition(knowledge.LoadHigh, of).holds && !a.helped(of, m.lever.Name, m.Direction):
		return 1
	}
	return 2
}

func (a *Adviser) chooseFor(of int, standing bool) (c choice, found bool) {
	var held *move
	var limit float64
	if a.helpedTimes(of) >= mostHelped {
		a.nothingMore(of, nil, 0, "", "")
		return c, false
	}
	ask, stand, look, wait := "", false, "", ""
	var order [mostMoves]uint8
	for _, j := range order[:a.order(of, &order)] {
		m := &a.moves[of][j]
		if m.Direction == knowledge.Wait {
			if ok, _ := a.allows(m, of); ok && wait == "" {
				wait = m.Say
			}
			continue
		}
		if a.spent(of, m) || a.passing(of) && !m.driving {
			continue
		}
		ok, wants := a.allows(m, of)
		if !ok && wants == "" {
			continue
		}
		if m.check != "" {
			if of == spareCapacity && a.condition(knowledge.LossLow, of).known {
				continue // it is known already
			}
			wants = m.check
		}
		if m.driving && m.Direction == knowledge.Down && (a.rank(m, of) == 2 && ask != "" || a.rank(m, of) > 0 && a.littleOver(of)) {
			continue
		}
		if wants != "" {
			if ask == "" && a.mayAsk(wants) {
				ask = wants
			}
			continue
		}
		if m.stopped && !standing {
			if m.Direction != knowledge.Look {
				stand = true
			} else if look == "" {
				look = m.lever.Words
			}
			continue
		}
		steps := a.stepsFor(of, m)
		r := a.reachOf(m, steps)
		if of == spareCapacity && r.known && r.from < slackened*a.faster {
			// He has been asked and has gone back: that is how he likes to drive.
			a.symptoms[of].heldTo, a.faster = a.now.Add(askedEnough), 0
			return c, false
		}
		if r.atEnd {
			continue
		}
		if r.atLimit {
			if held == nil {
				held, limit = m, r.limit
			}
			continue
		}
		if standing && !m.stopped {
			return c, false // work with what can be set from the seat comes first
		}
		return choice{of: of, m: m, reach: r, steps: steps, held: held, limit: limit}, true
	}
	switch {
	case a.passing(of):
	case ask != "":
		a.want(ask, WhyChoice, 0)
	case !stand && !standing:
		a.nothingMore(of, held, limit, look, wait)
	}
	return c, false
}

// littleOver: output is worth more than the last part of a loss, so slower is
// only asked for where a level is well over its target.
func (a *Adviser) littleOver(of int) bool {
	t := &a.symptoms[of]
	return t.basis != "" && t.seconds > 0 && t.lasting < slowerOver*t.target
}

const slowerOver = 1.3

const (
	slackened   = 0.97
	askedEnough = 2 * time.Hour
)

// passing tells of a sudden rise that may be over in a minute: ground speed is
// all that it asks for.
func (a *Adviser) passing(of int) bool {
	t := &a.symptoms[of]
	return t.basis != "" && t.sudden > 0 && !t.over
}

// stepsFor is how many steps to take at once. Against a level that is over its
// target it is two: what one step does, a tenth or so, nobody could tell from
// chance within minutes.
func (a *Adviser) stepsFor(of int, m *move) float64 {
	t := &a.symptoms[of]
	if by := a.judgedBy(of); !m.driving && t.checked() && (by == GroundCheck || by != "" && t.said == Much) {
		return 2 // nor could a count tell less
	}
	if m.driving || t.basis == "" || t.seconds < overAfter || t.target <= 0 {
		return 1
	}
	if m.lever.Name == "cut_height" {
		return 2 // more is another way of cutting
	}
	coarse := m.lever.CropSteps[a.facts.Crop.Name] > 1 // its step is large already
	switch {
	case a.tooFar(of, m) || coarse && a.littleOver(of):
		return 1
	case t.slow >= 2*t.target && a.helped(of, m.lever.Name, m.Direction) || a.promising(of, m):
		return 3
	}
	return 2
}

// tooFar tells whether a move helped, but went too far for another level: then
// half of it is worth a try.
func (a *Adviser) tooFar(of int, m *move) bool {
	for i := range a.tries {
		t := &a.tries[i]
		if t.of == of && t.Lever == m.lever.Name && t.Direction == m.Direction {
			return t.TooFar
		}
	}
	return false
}

// spent tells whether a move is not to be asked any more today.
func (a *Adviser) spent(of int, m *move) bool {
	for i := range a.tries {
		t := &a.tries[i]
		if t.of != of || t.Lever != m.lever.Name {
			continue
		}
		switch {
		case t.Outcome == outcomeNotPossible:
			return true
		case t.Direction != m.Direction:
			// The other way has helped: going back would undo it.
			if t.Outcome == judge.Better.String() {
				return true
			}
		case t.Outcome == judge.Better.String():
			// Stubble that has been left taller once is tall enough.
			if m.Direction == knowledge.Look || m.lever.Name == "cut_height" && m.Direction == knowledge.Up {
				return true
			}
		case t.Promising && !t.Again:
		case t.Outcome != "" || t.Unsure >= mostUnsure:
			return true
		}
	}
	if m.driving {
		return a.flips(m) > mostSpeedFlips
	}
	return a.flips(m) >= mostFlips
}

const (
	// mostUnsure is how often a move may come to no verdict.
	mostUnsure = 2
	// mostFlips is how often the direction of a lever may turn within a day: two
	// symptoms with opposite remedies must not drive it to and fro.
	mostFlips = 2
	// mostSpeedFlips: ground speed follows the crop, but not for ever.
	mostSpeedFlips = 4

	outcomeNotPossible = "not-possible"
)

// try is what became of a move today.
type try struct {
	Tried
	of int
}

func (a *Adviser) tryOf(of int, lever, direction string) *try {
	for i := range a.tries {
		t := &a.tries[i]
		if t.of == of && t.Lever == lever && t.Direction == direction {
			return t
		}
	}
	a.tries = append(a.tries, try{of: of, Tried: Tried{Symptom: symptoms[of].name, Lever: lever, Direction: direction}})
	return &a.tries[len(a.tries)-1]
}

// promising tells whether a move is left for a second try.
func (a *Adviser) promising(of int, m *move) bool {
	for i := range a.tries {
		t := &a.tries[i]
		if t.of == of && t.Lever == m.lever.Name && t.Direction == m.Direction {
			return t.Promising && !t.Again
		}
	}
	return false
}

// helpedTimes is how often today a prompt has helped a symptom. What comes back
// after so many has another cause than a setting, or cures that undo one another
// by way of a third.
func (a *Adviser) helpedTimes(of int) (n int) {
	if of == spareCapacity || of == rotorSag || of == engineLoad {
		return 0
	}
	for i := range a.journal {
		v := a.journal[i].Verdict
		if v != nil && v.Prompt != 0 && v.Symptom == symptoms[of].name && v.Outcome == judge.Better.String() && !v.PutBack {
			n++
		}
	}
	return n
}

const mostHelped = 3

// helped tells whether a move has helped today.
func (a *Adviser) helped(of int, lever, direction string) bool {
	for i := range a.tries {
		t := &a.tries[i]
		if t.of == of && t.Lever == lever && t.Direction == direction {
			return t.Outcome == judge.Better.String()
		}
	}
	return false
}

// flips counts how often today the lever was moved, for the better, the other
// way than before, this move included.
func (a *Adviser) flips(m *move) int {
	if way(m.Direction) == 0 {
		return 0
	}
	n, last := 0, ""
	for i := range a.journal {
		e := &a.journal[i]
		if e.Change.Lever != m.lever.Name || e.Verdict == nil || e.Verdict.Outcome != judge.Better.String() || e.Verdict.PutBack {
			continue
		}
		if last != "" && e.Verdict.Direction != last {
			n++
		}
		last = e.Verdict.Direction
	}
	if last != "" && last != m.Direction {
		n++
	}
	return n
}
