package advise

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// Facts are what the adviser needs to know beforehand.
type Facts struct {
	Machine   machine.Settings
	Crop      machine.Crop
	Knowledge *knowledge.Base
	// TargetPct are the targets that the owner has set ([alarm.KIND]
	// target_pct), by symptom. Look them up by name.
	TargetPct map[string]float64
}

// Adviser is the whole dialogue. It is meant for one goroutine.
type Adviser struct {
	facts Facts
	now   signal.Instant
	out   []Note
}

// New makes an adviser. A knowledge that is nil or empty gives one that never
// asks for a change.
func New(f Facts) *Adviser { return &Adviser{facts: f} }

// Step judges a state, with the alarms that came or went with it, in the order
// in which package detect told them. The notes are valid until the next call
// of any method.
func (a *Adviser) Step(s *machine.State, events []detect.Event) []Note {
	a.out = a.out[:0]
	a.now = s.Now
	return a.out
}

// Reset is called at a new segment with the alarms that ended the old one. Event
// time starts anew with the next Step: what was being judged is given up.
func (a *Adviser) Reset(events []detect.Event) []Note {
	a.out = a.out[:0]
	return a.out
}

// Answer takes what the operator answers, at the newest step.
func (a *Adviser) Answer(answer Answer) []Note {
	a.out = a.out[:0]
	return a.out
}

// Check takes what he has looked at.
func (a *Adviser) Check(check Check) []Note {
	a.out = a.out[:0]
	return a.out
}

// Setup takes what he sets anew.
func (a *Adviser) Setup(setup Setup) []Note {
	a.out = a.out[:0]
	return a.out
}

// Open is the open prompt, or nil.
func (a *Adviser) Open() *Prompt { return nil }

// Wanted lists the checks that are wanted, oldest first.
func (a *Adviser) Wanted() []CheckWanted { return nil }

// Targets lists the levels that are too high by what the operator's checks have
// told, in the order of symptoms: what detect should take for its target_pct.
func (a *Adviser) Targets() []Target { return nil }
