package machine

import "time"

// Ledger is the time spent in each activity since the machine was made. Its
// entries add up to the time that was stepped through: what lies between two
// segments of the stream is in none.
type Ledger struct {
	steps [activityCount]int64
	// OnTheGo counts the part of cutting in which the machine unloaded.
	onTheGo int64
}

// add counts a step.
func (l *Ledger) add(a Activity, unloading bool) {
	l.steps[a]++
	if unloading && a == Cutting {
		l.onTheGo++
	}
}

// In is the time spent in an activity.
func (l *Ledger) In(a Activity) time.Duration {
	if a >= activityCount {
		return 0
	}
	return time.Duration(l.steps[a]) * Period
}

// UnloadingOnTheGo is the part of cutting in which the machine unloaded.
func (l *Ledger) UnloadingOnTheGo() time.Duration { return time.Duration(l.onTheGo) * Period }

// Total is the time of all steps.
func (l *Ledger) Total() time.Duration {
	var steps int64
	for _, n := range l.steps {
		steps += n
	}
	return time.Duration(steps) * Period
}
