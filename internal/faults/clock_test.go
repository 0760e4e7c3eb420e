package faults

import (
	"testing"
	"time"

	"chaffinch/internal/daemon"
)

// jumpy is a source whose calendar is not set at first, and jumps.
type jumpy struct {
	*daemon.Pretend
}

// Wall is the calendar: for five minutes a board without a battery believes that it
// is 1970; then the time is set; later it jumps by 56 years and by three hours back.
func (j jumpy) Wall(stamp int64) (time.Time, bool) {
	right, _ := j.Pretend.Wall(stamp)
	switch passed := right.Sub(origin); {
	case passed < 5*time.Minute:
		return time.Unix(0, 0).Add(passed), false
	case passed < 10*time.Minute:
		return right, true
	case passed < 15*time.Minute:
		return right.AddDate(56, 0, 0), true
	case passed < 20*time.Minute:
		return right.Add(-3 * time.Hour), true
	}
	return right, true
}

// Promise: events are the same whatever the clock does, and nothing is lost.
func TestAClockThatJumpsChangesNoEvent(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays half an hour")
	}
	want := reference(t)
	r := newRig(t, harvest(), 400)
	r.source = jumpy{r.source.(*daemon.Pretend)}
	r.start()
	r.ended()
	machine, own := r.all()
	if got := whats(machine); got != want {
		t.Errorf("told\n%s\nwith a clock that is right it tells\n%s", got, want)
	}
	if len(own) > 0 { // this machine's bus tells dates: none are missing while the clock is not set
		t.Errorf("of itself it told %s", whats(own))
	}
	r.nothingLost()
}
