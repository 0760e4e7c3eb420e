package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"chaffinch/detect/shift"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

const shiftMemory = "shift"

// longRecord is the long record of the machine: history in blocks, and shifts.
type longRecord struct {
	block *history.Builder
	dates store.Dates // of earlier runs
	known bool        // dates is
	// since is when the shift that goes on was stored; nil once it is known how
	// long ago that was.
	since *time.Time
}

// shiftKept is what is remembered of shifts, as it is stored.
type shiftKept struct {
	Saved  *time.Time   `json:"saved"` // nil: by a clock that could not be trusted
	Memory shift.Memory `json:"memory"`
}

// row takes a row a second.
func (d *Daemon) row(r *history.Row) {
	if d.long.block.Add(r) {
		if d.long.block.Rows() >= core.BlockRows {
			d.storeBlock()
		}
		return
	}
	d.storeBlock()
	d.long.block.Add(r)
}

// storeBlock hands over the rows that wait, with what is known of the shift then.
// It never waits: alerts come first.
func (d *Daemon) storeBlock() {
	if d.long.block.Rows() == 0 {
		return
	}
	at := d.long.block.First()
	records := []store.Record{history.Record(at, d.long.block.AppendBlock(nil))}
	if d.core.ShiftNumber() != 0 {
		if m, ok := d.shiftRecord(); ok {
			records = append(records, m)
		}
	}
	if err := d.writer.PutHistory(records...); err != nil {
		d.log.Error("history not stored", "error", err)
	}
}

func (d *Daemon) shiftRecord() (store.Record, bool) {
	kept := shiftKept{Memory: d.core.ShiftMemory()}
	at := d.core.Now()
	if t, ok := d.wall(at); ok {
		kept.Saved = &t
	}
	return d.pack(shiftMemory, at, kept)
}

// shift takes a shift that began, goes on or ended.
func (d *Daemon) shift(t core.ShiftTold) {
	switch t.Phase {
	case core.ShiftGoesOn:
		return // its memory goes with each block
	case core.ShiftBegan:
		d.log.Info("shift begun", "number", t.Summary.Number)
		d.storeShift(shift.PhaseBegan, t.Summary)
	case core.ShiftEnded:
		d.log.Info("shift over", "number", t.Summary.Number)
		d.storeShift(shift.PhaseEnded, t.Summary)
	}
}

// storeShift stores a shift's beginning or end, with what is remembered from then
// on; it is published when that is done.
func (d *Daemon) storeShift(phase string, s *shift.Summary) {
	d.storeBlock() // rows before it are not of it
	at := d.core.Now()
	d.seq++
	r, err := core.ShiftRecord(d.seq, at, phase, s, d.dateOf, d.clock)
	if err != nil {
		d.log.Error("shift not stored", "error", err)
		return
	}
	records := []store.Record{r}
	if m, ok := d.shiftRecord(); ok {
		records = append(records, m)
	}
	d.tell.expectMessage(publish.Message{Topic: d.topics.Shift(), Payload: r.Payload, QoS: 1}, time.Now())
	if err := d.put(records); err != nil {
		d.tell.giveUp()
		d.failure = fmt.Errorf("daemon: shift not stored: %w", err)
		d.log.Error("shift not stored", "error", err)
	}
}

// dateOf is the date of a moment of this run or of an earlier one.
func (d *Daemon) dateOf(m shift.Moment) (time.Time, bool) {
	if m.Boot == d.clock.Boot {
		return d.wall(m.At)
	}
	if !d.long.known || m.Boot > 1<<32-1 {
		return time.Time{}, false
	}
	t, source, ok := d.long.dates.Date(uint32(m.Boot), m.At)
	return t, ok && source != store.UnsetClock
}

// recallShift takes up the shift of an earlier run. One that was over before the
// program was started again is ended now.
func (d *Daemon) recallShift(s *store.Store, left *leftBehind) {
	var err error
	if d.long.dates, err = s.Dates(); err == nil {
		d.long.known = true
	}
	var kept shiftKept
	for _, r := range left.memories {
		if r.ID != shiftMemory {
			continue
		}
		if err := json.Unmarshal(r.Payload, &kept); err != nil {
			d.log.Error("what was remembered of the shift cannot be read", "error", err)
			kept = shiftKept{}
		}
	}
	away := time.Duration(-1)
	if now, trusted := d.o.Source.Wall(d.o.Source.Stamp()); trusted && kept.Saved != nil && !now.Before(*kept.Saved) {
		away = now.Sub(*kept.Saved)
	}
	if away < 0 {
		d.long.since = kept.Saved
	}
	open := d.core.ShiftNumber()
	over, ok, err2 := d.core.RememberShift(kept.Memory, left.shift, away)
	if err = errors.Join(err, left.err, err2); err != nil {
		d.log.Error("the shift of an earlier run cannot be taken up", "error", err)
	}
	if !ok && kept.Memory.Open != nil {
		d.log.Warn("the store came too late: the shift of before does not go on")
	}
	if over != nil {
		d.storeShift(shift.PhaseEnded, over)
	}
	if number := d.core.ShiftNumber(); number != open && open != 0 {
		d.log.Info("shift has another number", "number", number, "instead of", open)
		d.storeShift(shift.PhaseBegan, d.core.Shift())
	}
}

// findAway tells the shift how long the program did not run, once the clock is
// known.
func (d *Daemon) findAway() {
	if d.long.since == nil || !d.core.Started() {
		return
	}
	if t, ok := d.wall(0); ok {
		d.core.ShiftAway(max(0, t.Sub(*d.long.since)))
		d.long.since = nil
	}
}

// stopLong hands over what waits at the end. The shift stays open: a restart may
// go on with it.
func (d *Daemon) stopLong() {
	if !d.core.Started() {
		return
	}
	d.storeBlock()
	if m, ok := d.shiftRecord(); ok && d.core.ShiftNumber() != 0 {
		if err := d.put([]store.Record{m}); err != nil {
			d.log.Error("shift not remembered", "error", err)
		}
	}
}
