package history

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Every is the step of the rows.
const Every = time.Second

// Row is the machine at one instant.
type Row struct {
	Boot  uint32 // of At; given by reading, not kept in the block
	At    signal.Instant
	Shift uint32 // its number; 0 is between shifts

	Activity machine.Activity
	OnTheGo  bool // unloading while cutting, at some time since the row before

	values [signal.Count]float64
	known  [signal.Count]bool

	// Feed has the zero value where it is not known.
	Feed machine.Feed
}

// Value is a signal's value, in its own unit, if it was known.
func (r *Row) Value(id signal.ID) (float64, bool) { return r.values[id], r.known[id] }

// Set gives a signal a value.
func (r *Row) Set(id signal.ID, v float64) { r.values[id], r.known[id] = v, true }

// Of fills the row with a state. OnTheGo and Shift are left to the caller.
func (r *Row) Of(s *machine.State) {
	*r = Row{At: s.Now, Activity: s.Activity}
	for id := range signal.ID(signal.Count) {
		if v, ok := s.Signals.Fresh(id, s.Now); ok {
			r.Set(id, v)
		}
	}
	if s.Feed.Basis == machine.NoFeed {
		return
	}
	r.Feed = s.Feed
	if !r.Feed.FullnessKnown {
		r.Feed.Fullness = 0
	}
}
