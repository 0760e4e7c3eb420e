package core

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/publish"
	"chaffinch/store/history"
)

// ShiftTold is a shift that began, goes on or ended.
type ShiftTold struct {
	Phase   ShiftPhase
	Summary *shift.Summary // the receiver's own; nil while it goes on
}

// ShiftPhase is where in its life a shift is.
type ShiftPhase uint8

const (
	ShiftBegan ShiftPhase = iota
	ShiftGoesOn
	ShiftEnded
)

// shiftEvery is how often it is told that a shift goes on.
const shiftEvery = time.Minute

// shifts adds up what was done, and hands out a row a second.
type shifts struct {
	sum     *shift.Accumulator
	row     history.Row
	onTheGo time.Duration // at the row before
}

func (c *Core) shiftFacts() shift.Facts { return shift.Facts{Machine: c.own, Crop: c.crop} }

// stepShift is the last part of a step: alarms and advice have been counted.
func (c *Core) stepShift(s *machine.State) {
	c.shifts.sum.Boot = c.Boot
	phase, over := c.shifts.sum.Step(s)
	tell := func(t ShiftTold) {
		if c.out.Shift != nil {
			c.out.Shift(t)
		}
	}
	switch phase {
	case shift.Ended:
		tell(ShiftTold{ShiftEnded, over})
	case shift.Began:
		if c.out.Shift != nil {
			tell(ShiftTold{ShiftBegan, c.shifts.sum.Summary()})
		}
	case shift.Quiet:
		if c.shifts.sum.Number() != 0 && s.Now%signal.Instant(shiftEvery) == 0 {
			tell(ShiftTold{Phase: ShiftGoesOn})
		}
	}
	if c.out.Row == nil || s.Now%signal.Instant(history.Every) != 0 {
		return
	}
	row := &c.shifts.row
	row.Of(s)
	row.Shift = c.shifts.sum.Number()
	onTheGo := s.Ledger.UnloadingOnTheGo()
	row.OnTheGo = onTheGo > c.shifts.onTheGo
	c.shifts.onTheGo = onTheGo
	c.out.Row(row)
}

// Shift is the open shift so far, or nil.
func (c *Core) Shift() *shift.Summary { return c.shifts.sum.Summary() }

// ShiftToEnd is the open shift up to its last work, for the end of a log.
func (c *Core) ShiftToEnd() *shift.Summary { return c.shifts.sum.Finish() }

// ShiftNumber is the number of the open shift, or 0.
func (c *Core) ShiftNumber() uint32 { return c.shifts.sum.Number() }

// ShiftMemory is what the shift's sums are, to be stored.
func (c *Core) ShiftMemory() shift.Memory { return c.shifts.sum.Memory() }

// RememberShift takes up what an earlier run stored of a shift, away being as for
// Remember. newest is the number of the newest shift that is known of otherwise.
// It comes before the first cut; ok is false when it is too late: then the shift is
// over where it was left, and one that has begun since has a number behind its. The
// summary is of a shift that is over, or nil.
func (c *Core) RememberShift(m shift.Memory, newest uint32, away time.Duration) (over *shift.Summary, ok bool, err error) {
	c.shifts.sum.AtLeast(newest)
	if c.ShiftNumber() != 0 {
		c.shifts.sum.AtLeast(m.Last)
		left := shift.New(c.cfg.Shift, c.shiftFacts())
		left.Boot = c.Boot
		over, err = left.Remember(m, longAway)
		return over, false, err
	}
	c.shifts.sum.Boot = c.Boot
	over, err = c.shifts.sum.Remember(m, away)
	return over, true, err
}

// longAway is longer than any shift goes on without work.
const longAway = 1000 * time.Hour

// ShiftAway tells how long the program did not run before, where that came out
// only after RememberShift.
func (c *Core) ShiftAway(away time.Duration) { c.shifts.sum.Away(away) }

// priced takes along the price that was told with a count on the ground.
func (c *Core) priced(k *publish.Check) {
	if k.Ground != nil {
		c.shifts.sum.Price(k.Ground.PricePerT)
	}
}
