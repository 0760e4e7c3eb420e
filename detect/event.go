package detect

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Priority is how soon an alarm wants the operator (ISA-18.2).
type Priority uint8

const (
	Low Priority = iota
	Medium
	High
)

var priorityNames = [...]string{"low", "medium", "high"}

// String is the word that events and MQTT use.
func (p Priority) String() string {
	if int(p) < len(priorityNames) {
		return priorityNames[p]
	}
	return "invalid"
}

// Phase is where in its life an event is.
type Phase uint8

const (
	Raised  Phase = iota // the alert went out
	Changed              // priority, peak, text or acknowledgement changed while active
	Ended
)

var phaseNames = [...]string{"raised", "changed", "ended"}

// String is the word that the store and MQTT use.
func (p Phase) String() string {
	if int(p) < len(phaseNames) {
		return phaseNames[p]
	}
	return "invalid"
}

// Event is one stretch of trouble, from its beginning to its end. It is a
// value that owns all it points to.
type Event struct {
	Number   uint64 // counts events of this run, from 1, in the order raised
	Kind     string // stable name such as "engine-overload"; never reused
	Subject  string // what the kind speaks of, where it can speak of several: a signal's name or "spn-fmi@address"; else empty
	Phase    Phase
	Priority Priority
	Activity machine.Activity // when raised
	// Acknowledged is set once the operator has said that he knows of it.
	Acknowledged bool

	Began  signal.Instant // when the condition first held
	Raised signal.Instant // when the alert went out
	Ended  signal.Instant // when the condition ended; meaningful in phase Ended

	Signal   string // the signal that it is about, or empty
	Peak     Fact   // the worst value of that signal so far
	Evidence []Fact // what the detector saw when raised, in the order of the list of signals

	Latitude, Longitude signal.Degree
	Located             bool

	Text string // for the operator: at most twelve words
}

// Fact is a value that a decision rests on.
type Fact struct {
	Name  string // a signal's name, or a name with its unit
	Value float64
	Unit  string
}
