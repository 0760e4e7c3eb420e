package daemon

import (
	"time"

	"chaffinch/detect"
	"chaffinch/detect/shift"
	"chaffinch/publish"
	"chaffinch/store"
)

// takeUpStore takes up what earlier runs left in the store, once it is open:
// at the start, or whenever it comes.
func (d *Daemon) takeUpStore() {
	s, left := d.writer.Store(), d.left.Load()
	if s == nil || left == nil || d.tookUp {
		return
	}
	d.tookUp = true
	d.loadPools(s)
	d.remember(left)
	d.board.SetSetup(d.core.SetupNow())
	d.recallShift(s, left)
	d.endInterrupted(s)
	d.recallDay(s)
}

// leftBehind is what earlier runs left of which the newest alone is kept. It is read
// before this run writes anything: a store that comes late has what is newer at once.
type leftBehind struct {
	memories []store.Record
	shift    uint32 // number of the newest
	err      error
}

func readLeft(s *store.Store) *leftBehind {
	var left leftBehind
	if left.memories, left.err = s.Latest(store.Memory, store.Key{}); left.err != nil {
		return &left
	}
	newest, err := s.Newest(store.Shift, 1)
	if left.err = err; len(newest) == 1 {
		if told, err := shift.Parse(newest[0].Payload); err == nil {
			left.shift = told.Shift.Number
		}
	}
	return &left
}

// endInterrupted ends what runs before this one left open, when the power went
// in the middle of an alarm.
func (d *Daemon) endInterrupted(s *store.Store) {
	ended := 0
	left, err := s.Active()
	if err != nil {
		d.log.Error("cannot tell what the last run left open", "error", err)
		return
	}
	for _, r := range left {
		if r.Key.Boot == s.Boot() {
			continue
		}
		d.seq++
		payload, err := publish.AppendInterrupted(nil, d.seq, 0, r.Payload, d.clock)
		if err != nil {
			d.log.Error("event of an earlier run cannot be ended", "event", r.ID, "error", err)
			continue
		}
		d.tell.expectSilently(time.Now())
		err = d.put([]store.Record{{
			Kind: store.Event, ID: r.ID, Phase: detect.Ended, Priority: r.Priority, Send: true, Payload: payload,
		}})
		if err != nil {
			d.tell.giveUp()
			d.log.Error("event of an earlier run not ended", "event", r.ID, "error", err)
			continue
		}
		ended++
	}
	if ended > 0 {
		d.log.Info("ended what an earlier run left open", "events", ended)
	}
}
