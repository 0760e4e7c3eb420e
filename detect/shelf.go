package detect

import (
	"time"

	"chaffinch/canbus/signal"
)

// What an operator may do with an alarm, in the terms of ISA-18.2: acknowledge
// it, so that it stands without calling any more, or shelve it, so that it is
// away for a while. Both are inputs at an instant of event time, between two
// states: the same inputs give the same events again.

// longestShelf bounds how long an alarm can be put away in one go. Urgent ones
// cannot be.
const longestShelf = time.Hour

// Acknowledge notes that the operator knows of an active alarm. It returns the
// change, and whether there was such an alarm that was not acknowledged yet.
func (d *Detectors) Acknowledge(kind, subject string, at signal.Instant) ([]Event, bool) {
	d.desk.out = d.desk.out[:0]
	a := d.find(kind, subject)
	if a == nil || a.phase == quiet || a.event.Acknowledged || at < a.event.Raised {
		return nil, false
	}
	a.event.Acknowledged = true
	a.event.Phase = Changed
	d.desk.out = append(d.desk.out, a.event)
	return d.desk.out, true
}

// Shelve puts an alarm away until an instant, at most an hour from now. One
// that is active ends; one whose condition still holds then is raised again. It
// returns what that changes, and whether it was done: urgent alarms and those
// that are not known are not shelved. An instant that is past takes an alarm
// from the shelf.
func (d *Detectors) Shelve(kind, subject string, until signal.Instant) ([]Event, bool) {
	d.desk.out = d.desk.out[:0]
	a := d.find(kind, subject)
	if a == nil || kinds[a.kind].Priority == High || a.phase != quiet && a.event.Priority == High {
		return nil, false
	}
	a.shelf = min(until, d.now.Add(longestShelf))
	if a.shelf <= d.now {
		a.shelf = signal.Never
		return nil, true
	}
	if a.phase != quiet {
		d.desk.end(a, d.now)
	}
	return d.desk.out, true
}

// Shelved lists the alarms that are put away, in the order of the rules.
func (d *Detectors) Shelved() []Shelved {
	var all []Shelved
	d.each(func(a *alarm) {
		if a.shelf > d.now {
			all = append(all, Shelved{kinds[a.kind].Name, a.subject, a.shelf})
		}
	})
	return all
}

// Shelved is an alarm that is put away.
type Shelved struct {
	Kind, Subject string
	Until         signal.Instant
}

func (d *Detectors) find(kind, subject string) (found *alarm) {
	d.each(func(a *alarm) {
		if kinds[a.kind].Name == kind && a.subject == subject {
			found = a
		}
	})
	return found
}

func newAlarm(kind int, subject, about string) alarm {
	return alarm{kind: kind, subject: subject, about: about, raised: signal.Never, shelf: signal.Never}
}
