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
		return bus.UTC.Add(time.Duration(stamp - d.core.Stamp(bus.At))), source
	}
	return t, store.UnsetClock
}

// keepDates stores how event time and calendar time belong together, at the
// start and whenever that changes: dates of what was recorded before the clock
// was set are worked out from it. Clocks that never agree must not fill the store.
func (d *Daemon) keepDates(now time.Time) {
	at := signal.Instant(d.o.Source.Stamp() - d.start)
	if d.core.Started() {
		at = d.core.Now()
	}
	date, source := d.date(at)
	offset := date.Add(-time.Duration(at))
	changed := source != d.dateSource || offset.Sub(d.dateOffset).Abs() >= jumped
	// With the first frame event time moves by up to half a second: it begins on a full one.
	if d.dated && !changed && d.dateBegun == d.core.Started() {
		return
	}
	if d.dated && changed {
		if !d.datePace.take(now) {
			return
		}
		d.log.Info("calendar time changed", "from", d.dateSource, "to", source, "by", offset.Sub(d.dateOffset).Round(time.Second))
	}
	d.writer.PutWall(d.walls(at, source != d.dateSource)...)
	d.dated, d.dateSource, d.dateOffset, d.dateBegun = true, source, offset, d.core.Started()
}

// walls are the dates of an instant, and of both sides of each break of event time:
// dates follow the nearest, and what was before a break must not follow what came
// after it. Breaks that were told of before are left out, unless all.
func (d *Daemon) walls(at signal.Instant, all bool) []store.Wall {
	instants := []signal.Instant{at}
	if d.core.Started() {
		begun := d.core.Begun()
		for i, b := range begun {
			if all || b > d.dateBreak {
				if i > 0 {
					instants = append(instants, b-1)
				}
				instants = append(instants, b)
			}
		}
		d.dateBreak = begun[len(begun)-1]
	}
	walls := make([]store.Wall, len(instants))
	for i, x := range instants {
		t, source := d.date(x)
		walls[i] = store.Wall{At: x, Time: t, Source: source}
	}
	return walls
}

// heardDate tells whether dates are from the bus.
func heardDate(s store.Source) bool { return s == store.BusTime || s == store.GNSSTime }
