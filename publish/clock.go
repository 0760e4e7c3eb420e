package publish

import (
	"time"

	"chaffinch/canbus/signal"
)

// Clock labels event time for people. Nothing is decided or ordered by it.
type Clock struct {
	// Boot is the number of this run; with an event's number it names the event.
	Boot uint64
	// Start is when this run began: uptime counts from here.
	Start signal.Instant
	// Wall gives the date of an instant, and whether it can be trusted. Nil
	// knows no date.
	Wall func(signal.Instant) (t time.Time, trusted bool)
}

// date is the date of an instant if it is known.
func (c Clock) date(at signal.Instant) (time.Time, bool) {
	if c.Wall == nil {
		return time.Time{}, false
	}
	t, trusted := c.Wall(at)
	// RFC 3339 has four digits for the year.
	if y := t.UTC().Year(); !trusted || y < 1 || y > 9999 {
		return time.Time{}, false
	}
	return t.UTC(), true
}
