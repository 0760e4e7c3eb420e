package store

import (
	"errors"
	"time"
)

// What the Writer does between records.

func (w *Writer) storeWall() {
	s := w.store.Load()
	w.mu.Lock()
	x := w.wall
	w.mu.Unlock()
	if s == nil || x == nil {
		return
	}
	err := s.AppendWall(*x)
	w.note(err)
	if err != nil {
		return
	}
	w.mu.Lock()
	if w.wall == x {
		w.wall = nil
	}
	w.mu.Unlock()
}

// storeSent writes the outbox cursor when at least so many messages were sent
// since it was written.
func (w *Writer) storeSent(atLeast int) {
	s := w.store.Load()
	w.mu.Lock()
	n := w.sent
	if s == nil || n < atLeast {
		w.mu.Unlock()
		return
	}
	w.sent = 0
	w.mu.Unlock()
	more, err := s.StoreSent()
	w.note(err)
	if more || err != nil {
		w.mu.Lock()
		w.sent += n // again with the next tick
		w.mu.Unlock()
	}
}

// trim does one step and returns when to do the next.
func (w *Writer) trim() time.Duration {
	s := w.store.Load()
	if s == nil {
		return trimEvery
	}
	dropped, err1 := s.TrimOutbox()
	deleted, err2 := s.Trim(false)
	err := errors.Join(err1, err2)
	w.note(err)
	if err != nil {
		return trimEvery
	}
	if dropped+deleted == 0 {
		return trimEvery
	}
	return trimPause
}
