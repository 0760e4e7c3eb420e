package store

import "time"

// Health is how the recording goes.
type Health struct {
	// Err is why nothing is recorded now: ErrFull, ErrReadOnly, ErrDamaged,
	// ErrInUse or another. Nil means that all is well.
	Err   error
	Since time.Time // of Err, by the board's clock

	Opening Report // what the last opening found and did

	Waiting        int    // records in the queue
	HistoryDropped uint64 // history records that found no place to wait
	OutboxWaiting  uint64 // messages that are not known to have arrived
	OutboxDropped  uint64 // messages dropped from the outbox since the store was opened
	BadRecords     uint64 // records passed over since then because their checksum was wrong
	UsedBytes      int64
	MaxBytes       int64
}

// Health may be called from any goroutine, also while the store does not answer.
func (w *Writer) Health() Health {
	w.mu.Lock()
	h := w.health
	w.mu.Unlock()
	h.Waiting = len(w.queue)
	if s := w.store.Load(); s != nil {
		h.OutboxWaiting = s.OutboxWaiting()
		h.OutboxDropped = s.dropped.Load()
		h.BadRecords = s.BadRecords()
		h.UsedBytes = s.Used()
		h.MaxBytes = s.opts.MaxBytes
	}
	return h
}

// Turns counts how often Run came round, which it does every Tick at least, or
// made a step on the way. It stands still only while Run waits for the disk, or
// for Open. It may be called from any goroutine.
func (w *Writer) Turns() uint64 { return w.turns.Load() }

func (w *Writer) note(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if (err == nil) != (w.health.Err == nil) {
		w.health.Since = time.Now()
	}
	w.health.Err = err
}
