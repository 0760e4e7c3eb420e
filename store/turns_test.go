package store

import (
	"context"
	"errors"
	"testing"
	"time"
)

// moves tells whether the writer comes round within a while.
func (w *writing) moves() bool {
	// One turn may have been on its way.
	from := w.Turns() + 1
	for range 100 {
		time.Sleep(5 * time.Millisecond)
		if w.Turns() > from {
			return true
		}
	}
	return false
}

// What looks after the writer must tell a rest from a hang.
func TestTheWriterStandsStillOnlyWhileItWaitsForTheDisk(t *testing.T) {
	w := startWriter(t, newPath(t), Options{}, WriterOptions{})
	w.put(event("a", 0, 0))
	w.flush()
	if !w.moves() {
		t.Error("a writer with nothing to do stands still")
	}

	s := w.Store()
	s.mu.Lock() // a commit that the disk does not finish
	w.put(event("b", 0, 0))
	for range 100 {
		if w.Health().Waiting == 0 { // it has taken it
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	if w.moves() {
		t.Error("a writer that waits for the disk moves")
	}
	s.mu.Unlock()
	w.flush()
	if !w.moves() {
		t.Error("it stands still although the disk is done")
	}
}

func TestAWriterWithoutAStoreGoesOnTrying(t *testing.T) {
	w := startWriter(t, "", Options{}, WriterOptions{Open: func(context.Context) (*Store, Report, error) {
		return nil, Report{}, errors.New("no card")
	}})
	w.put(event("a", 0, 0))
	if !w.moves() {
		t.Error("a writer whose store cannot be opened stands still")
	}
}
