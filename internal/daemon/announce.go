package daemon

import (
	"sync"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/publish"
	"chaffinch/store"
)

// How long an alert waits for the store. Nothing is shown before it is on the
// disk, so that a power cut cannot lose what an operator saw. But a warning
// that comes late is no warning: when the store is slow or does not record,
// alerts go out all the same, and the page says that nothing is recorded.
const (
	waitUrgent = time.Second
	waitOther  = 10 * time.Second
)

// announcer publishes events and what the adviser tells in the order in which
// they happened, each when its record is committed.
type announcer struct {
	board *publish.Board
	send  func(publish.Message)
	told  func(*detect.Event) // may be nil
	noted func(*advise.Note)  // may be nil

	mu      sync.Mutex
	waiting []notice // handed to the store, in order
	early   int      // how many of the first were published before their commit
}

type notice struct {
	// One of these, or none: of an earlier run, for the outbox alone.
	event   *detect.Event
	note    *advise.Note
	message *publish.Message
	payload []byte
	since   time.Time
}

// expect notes an event that is about to be handed to the store.
func (a *announcer) expect(e *detect.Event, payload []byte, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	own := *e
	a.waiting = append(a.waiting, notice{event: &own, payload: payload, since: now})
}

// expectNote notes a note that is about to be handed to the store.
func (a *announcer) expectNote(n *advise.Note, payload []byte, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	own := *n
	a.waiting = append(a.waiting, notice{note: &own, payload: payload, since: now})
}

// expectMessage notes a message that is sent when its record is committed.
func (a *announcer) expectMessage(m publish.Message, now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.waiting = append(a.waiting, notice{message: &m, since: now})
}

// expectSilently notes a record that is only stored and sent elsewhere.
func (a *announcer) expectSilently(now time.Time) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.waiting = append(a.waiting, notice{since: now})
}

// committed publishes what is on the disk now.
func (a *announcer) committed(records []store.Record) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for i := range records {
		if !shown(records[i].Kind) || len(a.waiting) == 0 {
			continue
		}
		if a.early > 0 {
			a.early--
		} else {
			a.publish(&a.waiting[0])
		}
		a.waiting = a.waiting[1:]
	}
}

// shown tells whether records of a kind are published.
func shown(k store.Kind) bool {
	switch k {
	case store.Event, store.Prompt, store.Judged, store.Check, store.Note, store.Shift:
		return true
	}
	return false
}

// overdue publishes what has waited too long for the store. Failing is
// whether the store is known not to record.
func (a *announcer) overdue(now time.Time, failing bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for a.early < len(a.waiting) {
		n := &a.waiting[a.early]
		if !failing && !a.tooLong(now) {
			return
		}
		a.publish(n)
		a.early++
	}
}

// giveUp publishes all that waits, and forgets the newest: its record has found
// no place in the store's queue.
func (a *announcer) giveUp() {
	a.mu.Lock()
	defer a.mu.Unlock()
	for ; a.early < len(a.waiting); a.early++ {
		a.publish(&a.waiting[a.early])
	}
	a.waiting = a.waiting[:len(a.waiting)-1]
	a.early--
}

// tooLong tells whether one of those not yet published has waited too long. An
// urgent one takes those before it along: order is kept.
func (a *announcer) tooLong(now time.Time) bool {
	for i := range a.waiting[a.early:] {
		n := &a.waiting[a.early+i]
		limit := waitOther
		if n.event != nil && n.event.Priority == detect.High {
			limit = waitUrgent
		}
		if now.Sub(n.since) >= limit {
			return true
		}
	}
	return false
}

func (a *announcer) publish(n *notice) {
	switch {
	case n.note != nil:
		for _, m := range a.board.ApplyNote(n.note, n.payload) {
			a.send(m)
		}
		if a.noted != nil {
			a.noted(n.note)
		}
		return
	case n.message != nil:
		a.send(*n.message)
		return
	case n.event == nil:
		return
	}
	for _, m := range a.board.Apply(n.event, n.payload) {
		a.send(m)
	}
	if a.told != nil {
		a.told(n.event)
	}
}
