package core

import (
	"slices"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// segment is a stretch in which event time goes on as the stamps do; silences of up to
// an hour are within one.
type segment struct {
	begun  signal.Instant
	offset int64 // stamp minus event time
}

// mostPast bounds the segments whose stamps are remembered.
const mostPast = 64

// enter makes a segment the present one.
func (c *Core) enter(s segment) {
	if c.started {
		if s.offset == c.segment.offset {
			return
		}
		if len(c.past) == mostPast {
			c.past = slices.Delete(c.past, 0, 1)
		}
		c.past = append(c.past, c.segment)
	}
	c.segment = s
}

// Stamp is the source's own stamp for an instant. It may be used while an output is
// being called.
func (c *Core) Stamp(at signal.Instant) int64 {
	of := &c.segment
	for i := len(c.past) - 1; i >= 0 && at < of.begun; i-- {
		of = &c.past[i]
	}
	return int64(at) + of.offset
}

// Offset is by how much stamps are ahead of event time at present.
func (c *Core) Offset() int64 { return c.segment.offset }

// Begun are the instants at which stamps began to be ahead by as much as at present,
// and those before it that are remembered, oldest first.
func (c *Core) Begun() []signal.Instant {
	all := make([]signal.Instant, 0, len(c.past)+1)
	for i := range c.past {
		all = append(all, c.past[i].begun)
	}
	return append(all, c.segment.begun)
}

// silent tells what became of a live bus, where the stamps alone might be those of a
// clock that was set: it was silent for so long up to a frame. Event time counts less.
func (c *Core) silent(long time.Duration, f *canbus.Frame) {
	if c.quiet != 0 && long > 0 && f.Stamp-c.quiet < int64(canbus.LongestPause) {
		c.shifts.sum.Silent(long - f.At.Sub(c.last))
	}
}
