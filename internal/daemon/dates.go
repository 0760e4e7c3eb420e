package daemon

import (
	"time"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/store"
)

// jumped is the difference from which the calendar is said to have jumped.
const jumped = time.Second

// wall is the calendar time of an instant of event time, and whether it can
// be trusted. Used by the core's goroutine.
func (d *Daemon) wall(at signal.Instant) (time.Time, bool) {
	t, source := d.date(at)
	return t, source != store.UnsetClock
}

// date is the calendar time of an instant and where it is from: the system's
// clock once it is set, else the time that the bus tells.
func (d *Daemon) date(at signal.Instant) (time.Time, store.Source) {
	stamp := d.start + int64(at)
	if d.core.Started() {
		stamp = d.core.Stamp(at)
	}
	t, trusted := d.o.Source.Wall(stamp)
	if trusted {
		return t, store.SystemClock
	}
	if bus := d.core.BusClock(); bus.Known {
		source := store.GNSSTime
		if bus.PGN == j1939.TimeDate {
			source = store.BusTime
		}
		return bus.UTC.Add(at.Sub(bus.At)), source
	}
	return t, store.UnsetClock
}

// keepDates stores how event time and calendar time belong together, at the
// start and whenever that changes: dates of what was recorded before the clock
// was set are worked out from it.
func (d *Daemon) keepDates() {
	at := signal.Instant(d.o.Source.Stamp() - d.start)
	if d.core.Started() {
		at = d.core.Now()
	}
	now, source := d.date(at)
	offset := now.Add(-time.Duration(at))
	changed := source != d.dateSource || offset.Sub(d.dateOffset).Abs() >= jumped
	// With the first frame event time moves by up to half a second: it begins on a full one.
	if d.dated && !changed && d.dateBegun == d.core.Started() {
		return
	}
	if d.dated && changed {
		d.log.Info("calendar time changed", "from", d.dateSource, "to", source, "by", offset.Sub(d.dateOffset).Round(time.Second))
	}
	d.dated, d.dateSource, d.dateOffset, d.dateBegun = true, source, offset, d.core.Started()
	d.writer.PutWall(store.Wall{At: at, Time: now, Source: source})
}

// heardDate tells whether dates are from the bus.
func heardDate(s store.Source) bool { return s == store.BusTime || s == store.GNSSTime }
