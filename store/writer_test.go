package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

// writing is a Writer that runs.
type writing struct {
	*Writer
	t    *testing.T
	stop func() error

	mu        sync.Mutex
	committed []Record
}

func startWriter(t *testing.T, path string, o Options, wo WriterOptions) *writing {
	w := &writing{t: t}
	if wo.Open == nil {
		wo.Open = func(ctx context.Context) (*Store, Report, error) { return OpenChecked(ctx, path, selfExe(t), o) }
	}
	if wo.Tick == 0 {
		wo.Tick = 5 * time.Millisecond
	}
	wo.Committed = func(r []Record) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.committed = append(w.committed, r...)
	}
	w.Writer = NewWriter(wo)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	w.stop = sync.OnceValue(func() error { cancel(); return <-ended })
	t.Cleanup(func() { w.stop() })
	return w
}

func (w *writing) put(records ...Record) {
	w.t.Helper()
	for _, r := range records {
		if err := w.Put(w.t.Context(), r); err != nil {
			w.t.Fatal(err)
		}
	}
}

func (w *writing) flush() {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.t.Context(), 20*time.Second)
	defer cancel()
	if err := w.Flush(ctx); err != nil {
		w.t.Fatalf("flush: %v; health %+v", err, w.Health())
	}
}

// ids are those of the events that are committed.
func (w *writing) ids() (ids []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range w.committed {
		if r.Kind == Event {
			ids = append(ids, r.ID)
		}
	}
	return ids
}

func (w *writing) until(what string, ok func() bool) {
	w.t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			w.t.Fatalf("never came: %s; health %+v", what, w.Health())
		}
	}
}

func numbers(n int) (ids []string) {
	for i := range n {
		ids = append(ids, fmt.Sprint(i))
	}
	return ids
}

func TestWriterCommitsAndStopsClean(t *testing.T) {
	path := newPath(t)
	w := startWriter(t, path, Options{}, WriterOptions{})
	for _, id := range numbers(500) {
		w.put(event(id, detect.Ended, detect.Low))
	}
	w.flush()
	if !slices.Equal(w.ids(), numbers(500)) {
		t.Errorf("committed: %v", w.ids())
	}
	if h := w.Health(); h.Err != nil || h.Opening.Verdict != Absent || h.OutboxWaiting != 500 || h.UsedBytes == 0 {
		t.Errorf("%+v", h)
	}
	w.put(event("last", detect.Ended, detect.Low))
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	if ids := w.ids(); ids[len(ids)-1] != "last" {
		t.Error("what waited at the end was not written")
	}
	s := open(t, path, Options{})
	if !s.WasClean() || s.Count(Event) != 501 {
		t.Errorf("clean %t, %d events", s.WasClean(), s.Count(Event))
	}
	closeStore(t, s)
}

func TestWriterKeepsHistoryForLaterAndDropsWhatIsTooMuch(t *testing.T) {
	w := startWriter(t, newPath(t), Options{}, WriterOptions{HistoryQueue: 10, HistoryEvery: time.Hour})
	w.flush()
	w.put(history(15, 10)...)
	time.Sleep(30 * time.Millisecond)
	if n := w.Store().Count(History); n != 0 {
		t.Errorf("%d history records were written at once", n)
	}
	w.put(event("a", detect.Ended, detect.Low))
	w.until("the history goes with the event", func() bool { return w.Store().Count(History) == 10 })
	if h := w.Health(); h.HistoryDropped != 5 {
		t.Errorf("%d dropped", h.HistoryDropped)
	}
	w.put(history(3, 10)...)
	w.flush()
	if n := w.Store().Count(History); n != 13 {
		t.Errorf("after Flush: %d", n)
	}

	w = startWriter(t, newPath(t), Options{}, WriterOptions{HistoryEvery: 10 * time.Millisecond})
	w.put(history(3, 10)...)
	w.until("the history goes when its time has come", func() bool { return w.Store() != nil && w.Store().Count(History) == 3 })
}

// Without a store events wait, to the end of the queue; then Put waits.
func TestWriterWithoutAStore(t *testing.T) {
	path := newPath(t)
	var readOnly atomic.Bool
	readOnly.Store(true)
	o := Options{OpenFile: func(name string, flag int, perm os.FileMode) (*os.File, error) {
		if readOnly.Load() {
			return nil, &os.PathError{Op: "open", Path: name, Err: syscall.EROFS}
		}
		return os.OpenFile(name, flag, perm)
	}}
	w := startWriter(t, path, o, WriterOptions{Queue: 3})
	w.put(event("0", detect.Ended, detect.Low))
	w.until("it says why", func() bool { return errors.Is(w.Health().Err, ErrReadOnly) && len(w.queue) == 0 })
	// The batch that cannot be written holds at least the first; the queue the
	// next three; then Put waits.
	n := 1
	for {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
		err := w.Put(ctx, event(strconv.Itoa(n), detect.Ended, detect.Low))
		cancel()
		if errors.Is(err, context.DeadlineExceeded) {
			break
		}
		if n++; err != nil || n > 1+3+3 {
			t.Fatalf("a queue of 3 takes a record %d: %v", n, err)
		}
	}
	if n < 4 {
		t.Errorf("a queue of 3 took %d", n-1)
	}
	if len(w.ids()) != 0 || w.Store() != nil {
		t.Error("committed without a store")
	}
	readOnly.Store(false)
	w.flush()
	if !slices.Equal(w.ids(), numbers(n)) || w.Health().Err != nil {
		t.Errorf("committed %v, health %+v", w.ids(), w.Health())
	}
}

func TestWriterGoesOnThroughFaults(t *testing.T) {
	for _, c := range writeFaults {
		t.Run(c.name, func(t *testing.T) {
			path := newPath(t)
			f := &faultyFile{t: t}
			w := startWriter(t, path, Options{OpenFile: f.open}, WriterOptions{})
			for _, id := range numbers(40) {
				w.put(event(id, detect.Ended, detect.Low))
				w.flush()
			}
			f.replace(c.open(t))
			for _, id := range numbers(60)[40:] {
				w.put(event(id, detect.Ended, detect.Low))
			}
			w.until("it says why", func() bool { return errors.Is(w.Health().Err, c.errno) })
			time.Sleep(30 * time.Millisecond)
			if n := len(w.ids()); n != 40 {
				t.Errorf("%d committed while nothing could be written", n)
			}
			f.mend()
			w.flush()
			if !slices.Equal(w.ids(), numbers(60)) || w.Health().Err != nil {
				t.Errorf("committed %v, health %+v", w.ids(), w.Health())
			}
			if err := w.stop(); err != nil {
				t.Error(err)
			}
			if w.Boot(path) != 1 {
				t.Error("it was opened again")
			}
		})
	}
}

func (w *writing) Boot(path string) uint32 {
	s := open(w.t, path, Options{ReadOnly: true})
	defer s.Close()
	return s.Boot()
}

func TestWriterThatCannotWriteSaysSoAtTheEnd(t *testing.T) {
	path := newPath(t)
	f := &faultyFile{t: t}
	w := startWriter(t, path, Options{OpenFile: f.open}, WriterOptions{})
	for _, id := range numbers(40) {
		w.put(event(id, detect.Ended, detect.Low))
		w.flush()
	}
	f.replace(mustOpen(t, "/dev/full", os.O_RDWR))
	w.put(event("lost", detect.Ended, detect.Low))
	w.until("it is full", func() bool { return errors.Is(w.Health().Err, ErrFull) })
	if err := w.stop(); !errors.Is(err, ErrFull) {
		t.Errorf("got %v", err)
	}
	syscall.Close(f.saved) // it holds the lock
	s := open(t, path, Options{})
	if s.WasClean() || s.Count(Event) != 40 {
		t.Errorf("clean %t, %d events", s.WasClean(), s.Count(Event))
	}
	closeStore(t, s)
}

// Ten times more than there is room for goes through a small store.
func TestWriterMakesRoom(t *testing.T) {
	path := newPath(t)
	const maxBytes = 1 << 20
	w := startWriter(t, path, Options{MaxBytes: maxBytes, OutboxMax: 50}, WriterOptions{})
	w.put(event("open", detect.Raised, detect.High))
	n := 0
	for range 200 {
		w.put(history(100, 500)...)
		for range 5 {
			w.put(event(fmt.Sprint(n), detect.Ended, detect.Low))
			n++
		}
		w.flush()
	}
	if got := w.ids(); !slices.Equal(got[1:], numbers(n)) {
		t.Errorf("%d of %d events committed", len(got), n)
	}
	if info, err := os.Stat(path); err != nil || info.Size() > maxBytes+reserveBytes {
		t.Errorf("the file has %d bytes", info.Size())
	}
	s := w.Store()
	if s.Count(Event) != uint64(n+1) {
		t.Errorf("%d of %d events are left, though there was history to give up", s.Count(Event), n+1)
	}
	if active, err := s.Active(); err != nil || len(active) != 1 {
		t.Errorf("active %v, %v", active, err)
	}
	w.until("the outbox is trimmed", func() bool { return w.Health().OutboxWaiting <= 50 && w.Health().OutboxDropped > 0 })
	if err := w.stop(); err != nil {
		t.Error(err)
	}
}

// The file is destroyed under a running Writer: it mends it and goes on.
func TestWriterOpensADamagedStoreAnew(t *testing.T) {
	path := newPath(t)
	var opened atomic.Int32
	w := startWriter(t, path, Options{}, WriterOptions{Opened: func(*Store, Report) { opened.Add(1) }})
	w.PutWall(Wall{At: 5, Time: time.Unix(1e9, 0), Source: GNSSTime})
	for _, id := range numbers(300) {
		w.put(event(id, detect.Ended, detect.Low))
		w.flush()
	}
	if err := os.Truncate(path, 6*pageSize); err != nil {
		t.Fatal(err)
	}
	w.put(event("300", detect.Ended, detect.Low))
	w.flush()
	if got := w.ids(); !slices.Equal(got, numbers(301)) {
		t.Errorf("%d committed", len(got))
	}
	h := w.Health()
	if h.Err != nil || h.Opening.Verdict != Damaged || h.Opening.SetAside == "" || opened.Load() != 2 {
		t.Errorf("%+v, %d openings", h, opened.Load())
	}
	s := w.Store()
	last, err := s.Latest(Event, Key{})
	if err != nil || len(last) == 0 || last[len(last)-1].ID != "300" {
		t.Errorf("%v, %v", last, err)
	}
	d, err := s.Dates()
	if date, _, ok := d.Date(s.Boot(), signal.Instant(5)); err != nil || !ok || date.Unix() != 1e9 {
		t.Errorf("the new boot has no date: %v %t, %v", date, ok, err)
	}
	// A reader that meets damage has the same done at the next tick.
	if err := os.Truncate(path, 2*pageSize); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Read(Event, Key{}, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("read: %v", err)
	}
	w.until("it is opened again", func() bool { return opened.Load() == 3 })
	w.put(event("301", detect.Ended, detect.Low))
	w.flush()
	if err := w.stop(); err != nil {
		t.Error(err)
	}
}

// What could not be written into one file goes into another one, which is in a
// boot of the same number and has records under the same keys.
func TestWriterGivesNewKeysInANewFile(t *testing.T) {
	paths := []string{newPath(t), newPath(t)}
	other := open(t, paths[1], Options{})
	for _, id := range numbers(20) {
		appendAll(t, other, event(id, detect.Ended, detect.Low))
	}
	f := &faultyFile{t: t}
	var opened int
	w := startWriter(t, "", Options{}, WriterOptions{Open: func(context.Context) (*Store, Report, error) {
		if opened++; opened > 1 {
			return other, Report{}, nil
		}
		s, err := Open(paths[0], Options{OpenFile: f.open})
		return s, Report{}, err
	}})
	for _, id := range numbers(10) {
		w.put(event(id, detect.Ended, detect.Low))
		w.flush()
	}
	f.replace(mustOpen(t, "/dev/full", os.O_RDWR))
	w.put(event("later", detect.Ended, detect.Low))
	w.until("it has a key, and is not written", func() bool { return errors.Is(w.Health().Err, ErrFull) })
	if err := os.Truncate(paths[0], 2*pageSize); err != nil {
		t.Fatal(err)
	}
	w.flush()
	syscall.Close(f.saved)
	var got []string
	for _, r := range readAll(t, other, Event) {
		got = append(got, r.ID)
	}
	if want := append(numbers(20), "later"); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if err := w.stop(); err != nil {
		t.Error(err)
	}
	os.Remove(paths[0]) // it was cut
}

func TestWriterStoresTheOutboxCursor(t *testing.T) {
	for _, c := range []struct {
		name string
		tick time.Duration
		sent int
	}{
		{"after 50 messages", time.Hour, 50},
		{"in time", 10 * time.Millisecond, 3},
	} {
		path := newPath(t)
		w := startWriter(t, path, Options{}, WriterOptions{Tick: c.tick})
		for _, id := range numbers(60) {
			w.put(event(id, detect.Ended, detect.Low))
		}
		w.flush()
		for range c.sent {
			m, err := w.Store().OutboxNext(1)
			if err != nil || len(m) != 1 {
				t.Fatalf("%s: %v, %v", c.name, m, err)
			}
			w.Sent(m[0])
		}
		w.until(c.name, func() bool { return w.Store().OutboxWaiting() == uint64(60-c.sent) })
		if err := w.stop(); err != nil {
			t.Error(err)
		}
	}
}
