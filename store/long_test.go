package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"chaffinch/detect"
)

// longWriter is a Writer on a new store; what it commits goes to seen.
func longWriter(t *testing.T, o WriterOptions) (w *Writer, seen chan []Record, stop func()) {
	path := newPath(t)
	seen = make(chan []Record, 1000)
	o.Open = func(context.Context) (*Store, Report, error) {
		s, err := Open(path, Options{})
		return s, Report{}, err
	}
	o.Committed = func(r []Record) { seen <- r }
	w = NewWriter(o)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	return w, seen, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		close(seen)
	}
}

func block(n int) Record {
	return Record{Kind: History, Phase: detect.Ended, Payload: fmt.Appendf(nil, "block %d", n)}
}

func memoryOf(id string, n int) Record {
	return Record{Kind: Memory, ID: id, Phase: detect.Ended, Payload: fmt.Appendf(nil, "%d", n)}
}

// A block and the memory that goes with it are one commit, whatever comes between,
// and of a memory the newest is what stays.
func TestHistoryGoesTogetherWithItsMemory(t *testing.T) {
	for round := range rounds(t, 20) {
		w, seen, stop := longWriter(t, WriterOptions{HistoryEvery: time.Millisecond})
		last := 0
		for n := range 40 {
			last = n
			if (n+round)%5 == 0 {
				end := []Record{{Kind: Shift, ID: "shift-1", Phase: detect.Ended, Send: true, Payload: []byte(`{}`)}, memoryOf("shift", n)}
				if err := w.PutTogether(t.Context(), end); err != nil {
					t.Fatal(err)
				}
				continue
			}
			if err := w.PutHistory(block(n), memoryOf("shift", n)); err != nil {
				t.Fatal(err)
			}
			if n%7 == 0 {
				if err := w.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
		s := w.Store()
		for s == nil {
			s = w.Store()
		}
		stop()
		blocks, newest := 0, -1
		for commit := range seen {
			inCommit := -1
			for _, r := range commit {
				var n int
				switch r.Kind {
				case Memory:
					if fmt.Sscan(string(r.Payload), &n); n < newest {
						t.Errorf("round %d: memory %d is written after %d", round, n, newest)
					}
					newest = max(newest, n)
				case History:
					blocks++
					fmt.Sscanf(string(r.Payload), "block %d", &n)
					inCommit = max(inCommit, n)
				}
			}
			if inCommit > newest {
				t.Errorf("round %d: block %d is written, and the memory is of %d", round, inCommit, newest)
			}
		}
		if newest != last || blocks != 32 {
			t.Errorf("round %d: memory of %d, want %d; %d blocks, want 32", round, newest, last, blocks)
		}
	}
}

func TestWhatMayWaitAsHistory(t *testing.T) {
	w := NewWriter(WriterOptions{HistoryQueue: 3})
	for _, c := range []struct {
		name    string
		records []Record
		ok      bool
		dropped uint64
	}{
		{"an event", []Record{event("e", detect.Raised, detect.Low)}, false, 0},
		{"a block too long", []Record{{Kind: History, Payload: make([]byte, MaxPayload+1)}}, false, 0},
		{"a block and a memory", []Record{block(1), memoryOf("shift", 1)}, true, 0},
		{"more than may wait", []Record{block(2), memoryOf("shift", 2)}, true, 2},
		{"a block", []Record{block(3)}, true, 2},
	} {
		if err := w.PutHistory(c.records...); (err == nil) != c.ok || w.Health().HistoryDropped != c.dropped {
			t.Errorf("%s: %v, %d dropped", c.name, err, w.Health().HistoryDropped)
		}
	}
	if len(w.history) != 3 {
		t.Errorf("%d wait", len(w.history))
	}
}

// Where the queue is full, what ends waits; nobody has forgotten yet what it takes
// the place of.
func TestWhatCannotBeQueuedForgetsNothing(t *testing.T) {
	w := NewWriter(WriterOptions{Queue: 1})
	if err := errors.Join(w.PutHistory(block(1), memoryOf("shift", 1)), w.Put(t.Context(), event("e", detect.Raised, detect.Low))); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*fullPause)
	defer cancel()
	if err := w.PutTogether(ctx, []Record{memoryOf("shift", 2)}); !errors.Is(err, context.DeadlineExceeded) || len(w.history) != 2 {
		t.Errorf("%v, %d wait", err, len(w.history))
	}
	go func() { time.Sleep(2 * fullPause); <-w.queue }()
	if err := w.PutTogether(t.Context(), []Record{memoryOf("shift", 2)}); err != nil || len(w.history) != 1 || len(w.queue) != 1 {
		t.Errorf("%v, %d wait, %d queued", err, len(w.history), len(w.queue))
	}
}

// History goes first when there is no more room, shifts next.
func TestBlocksMakeRoom(t *testing.T) {
	s := open(t, newPath(t), Options{MaxBytes: 4 << 20})
	g := newSteps(7, nil)
	for i := range 20 {
		appendAll(t, s, Record{Kind: Shift, ID: fmt.Sprint("shift-", i), Phase: detect.Ended, Payload: g.bytes(3000)})
	}
	appendAll(t, s, ended("e", detect.Low)...)
	more := func() error {
		return s.Append([]Record{{Kind: History, Phase: detect.Ended, Payload: g.bytes(3000)}, {Kind: Memory, ID: "shift", Phase: detect.Ended, Payload: g.bytes(9000)}})
	}
	var err error
	for !s.Crowded() && err == nil {
		err = more() // pages of odd sizes may leave no room before it is crowded
	}
	if err != nil && !errors.Is(err, ErrFull) {
		t.Fatal(err)
	}
	before := s.Count(History)
	if _, err := s.Trim(true); err != nil {
		t.Fatal(err)
	}
	if err := more(); err != nil {
		t.Fatal(err)
	}
	if trimAll(t, s); s.Crowded() || s.Count(History) >= before || s.Count(History) == 0 || s.Count(Shift) != 20 || s.Count(Event) != 2 || s.Count(Memory) != 1 {
		t.Errorf("left: %d of %d blocks, %d shifts, %d events, %d memories", s.Count(History), before, s.Count(Shift), s.Count(Event), s.Count(Memory))
	}
}

// Who reads a whole shift slowly does not keep the writer from writing, nor the
// file from using its pages again: each read is short.
func TestSlowReadingHoldsNothingUp(t *testing.T) {
	s := open(t, newPath(t), Options{})
	g := newSteps(8, nil)
	write := func() {
		appendAll(t, s, Record{Kind: History, Phase: detect.Ended, Payload: g.bytes(3000)}, Record{Kind: Memory, ID: "shift", Phase: detect.Ended, Payload: g.bytes(9000)})
	}
	for range 400 {
		write()
	}
	read := 0
	for from, more := (Key{}), true; more; {
		records, next, err := s.Read(History, from, 16)
		if err != nil {
			t.Fatal(err)
		}
		read += len(records)
		if read < 400 {
			for range 4 {
				write() // between two looks
			}
		}
		from, more = next, !next.IsZero() && read < 400
	}
	free := s.db.Stats().FreePageN + s.db.Stats().PendingPageN
	if read != 400 || int64(free)*pageSize > 200<<10 {
		t.Errorf("%d read; %d pages are free", read, free)
	}
}

// The end of a shift is written at once, and takes along the history that waits: that
// was before it, and stands before it. Who reads a shift up to its end has all of it.
func TestHistoryStandsBeforeTheEndOfItsShift(t *testing.T) {
	w, seen, stop := longWriter(t, WriterOptions{HistoryEvery: time.Hour})
	if err := w.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := w.PutHistory(block(1), memoryOf("shift", 1)); err != nil {
		t.Fatal(err)
	}
	end := []Record{{Kind: Shift, ID: "shift-1", Phase: detect.Ended, Payload: []byte(`{}`)}, memoryOf("shift", 2)}
	if err := w.PutTogether(t.Context(), end); err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop()
	var kinds []Kind
	last := Key{}
	for commit := range seen {
		for _, r := range commit {
			if !last.Less(r.Key) {
				t.Errorf("%s behind %s", r.Key, last)
			}
			kinds, last = append(kinds, r.Kind), r.Key
		}
	}
	if !slices.Equal(kinds, []Kind{History, Shift, Memory}) {
		t.Errorf("%v", kinds)
	}
}
