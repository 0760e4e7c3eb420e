package daemon

import (
	"fmt"

	"chaffinch/canbus/signal"
)

// sourceLog decides which changes of source are worth a line: two senders that
// take turns all day must not fill the log.
type sourceLog struct {
	seen uint64            // changes looked at so far
	next [signal.Count]int // how many changes of a signal make the next line
}

// due tells whether a signal whose source has changed count times gets a line:
// the first ten times, and then each time the number has doubled.
func (l *sourceLog) due(id signal.ID, count int) bool {
	if count < l.next[id] {
		return false
	}
	l.next[id] = count + 1
	if count >= 10 {
		l.next[id] = 2 * count
	}
	return true
}

// noteSources logs from whom a signal comes now, and how often that changed.
// The first source of all is no change.
func (d *Daemon) noteSources() {
	changes, n := d.core.SourceChanges(nil, d.sources.seen)
	d.sources.seen = n
	for _, c := range changes {
		times := d.core.SourceChangeCount(c.Signal)
		if c.From.Route == 0 || !d.sources.due(c.Signal, times) {
			continue
		}
		d.log.Info("signal comes from elsewhere now", "signal", c.Signal, "times", times,
			"from", fmt.Sprintf("%s, address %02X", d.core.RouteName(c.From.Route), c.From.Address),
			"to", fmt.Sprintf("%s, address %02X", d.core.RouteName(c.To.Route), c.To.Address))
	}
}
