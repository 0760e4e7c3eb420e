package store

import (
	"errors"
	"slices"
	"time"
)

// What the Writer does between records.

// mostWalls bounds what is remembered of how times belong together.
const mostWalls = 400

// PutWall says how event time and calendar time belong together.
func (w *Writer) PutWall(all ...Wall) {
	w.mu.Lock()
	w.walls, w.told = newest(append(w.walls, all...)), newest(append(w.told, all...))
	w.mu.Unlock()
	w.nudge()
}

func newest(all []Wall) []Wall { return slices.Delete(all, 0, max(0, len(all)-mostWalls)) }

func (w *Writer) storeWall() {
	s := w.store.Load()
	w.mu.Lock()
	all := w.walls
	w.walls = nil
	w.mu.Unlock()
	if s == nil || len(all) == 0 {
		w.waitAgain(all)
		return
	}
	err := s.AppendWall(all...)
	w.note(err)
	if err != nil {
		w.waitAgain(all)
	}
}

// waitAgain puts walls that could not be written before those that came meanwhile.
func (w *Writer) waitAgain(all []Wall) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.walls = newest(append(all, w.walls...))
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
