package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Writer is the one goroutine that writes to the store. Records wait for it in
// a bounded queue:
//
//   - All but history is committed at once, together when several wait, and
//     never dropped: when the queue is full, Put waits.
//   - History, and the memory that belongs to it, is committed with the next
//     event, or every HistoryEvery, once nothing else waits. When too much of it
//     waits, the new is dropped and counted.
//
// While the store cannot be written, or not even be opened, the Writer goes on
// trying, and Health says why it is not recording. When the file turns out to
// be damaged it is opened anew, which mends it.
type Writer struct {
	o     WriterOptions
	queue chan item
	wake  chan struct{} // a wall record waits, or many messages were sent
	store atomic.Pointer[Store]
	turns atomic.Uint64

	batch   []Record          // being written; Run's own
	flushes []chan<- struct{} // closed when batch is written; Run's own

	mu      sync.Mutex // guards what follows
	health  Health
	history []Record
	walls   []Wall // wait to be written
	told    []Wall // all of this run, written again into a store that is opened anew
	sent    int    // messages since the last StoreSent
}

// WriterOptions says how a Writer works. Only Open must be given.
type WriterOptions struct {
	// Open opens the store, by OpenChecked. It is called again while it fails.
	Open func(context.Context) (*Store, Report, error)
	// Opened is told of each opening, before anything is written.
	Opened func(*Store, Report)
	// Committed is told what is on the disk now; only then may it be
	// published. The records have their keys. It is called by the Writer's
	// goroutine and must not wait for it.
	Committed func([]Record)

	Queue        int           // records that may wait; 0 means 4096
	HistoryQueue int           // history records that may wait; 0 means 2000
	HistoryEvery time.Duration // 0 means 30 s
	Tick         time.Duration // between attempts to write or open, and for the outbox cursor; 0 means 2 s
}

const (
	maxBatch   = 256              // records in one commit
	sentMax    = 50               // messages after which the outbox cursor is written before its time
	fullPause  = time.Second / 50 // until there may be room in a full queue
	trimPause  = time.Second / 4  // between two steps of trimming
	trimEvery  = 10 * time.Minute // when there was nothing to trim
	roomSteps  = 8                // steps of trimming before a full store is tried again
	stopAtMost = 5 * time.Second  // for a last opening when there is no store at the end
)

type item struct {
	records []Record        // in one commit
	flushed chan<- struct{} // not nil: a Flush, not records
}

// NewWriter makes a Writer; its Run does the work.
func NewWriter(o WriterOptions) *Writer {
	if o.Queue <= 0 {
		o.Queue = 4096
	}
	if o.HistoryQueue <= 0 {
		o.HistoryQueue = 2000
	}
	if o.HistoryEvery <= 0 {
		o.HistoryEvery = 30 * time.Second
	}
	if o.Tick <= 0 {
		o.Tick = 2 * time.Second
	}
	return &Writer{o: o, queue: make(chan item, o.Queue), wake: make(chan struct{}, 1)}
}

// Put hands a record over. It waits while the queue is full, and returns an
// error for a record that cannot be stored, or when ctx ends first. The record
// and its Payload belong to the Writer then.
func (w *Writer) Put(ctx context.Context, r Record) error {
	if err := r.check(); err != nil {
		return err
	}
	if r.Kind == History {
		return w.PutHistory(r)
	}
	select {
	case w.queue <- item{records: []Record{r}}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// PutTogether hands records over that must be on the disk all or none, as Put
// does. None of them may be History. A Memory takes the place of one under its id
// that waits with history.
func (w *Writer) PutTogether(ctx context.Context, records []Record) error {
	for i := range records {
		if err := records[i].check(); err != nil {
			return err
		}
		if records[i].Kind == History {
			return fmt.Errorf("store: record %q: history waits, and cannot be together with others", records[i].ID)
		}
	}
	for !w.takePlace(records) {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(fullPause):
		}
	}
	return nil
}

// takePlace queues records and takes out of what waits with history what they take
// the place of, or does neither where the queue is full. The history is taken under
// the same lock: no row goes to the disk whose memory is forgotten here, and is not
// in the queue yet.
func (w *Writer) takePlace(records []Record) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	select {
	case w.queue <- item{records: records}:
		w.forget(records)
		return true
	default:
		return false
	}
}

// PutHistory hands over history, and memories that go with it: they are on the
// disk all or none, when there is time. It never waits. Of a memory that waits
// already the newer is written. It returns an error for what cannot be stored.
func (w *Writer) PutHistory(records ...Record) error {
	for i := range records {
		if err := records[i].check(); err != nil {
			return err
		}
		if k := records[i].Kind; k != History && k != Memory {
			return fmt.Errorf("store: record %q: a %s does not wait", records[i].ID, k)
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.history)+len(records) > w.o.HistoryQueue {
		w.health.HistoryDropped += uint64(len(records))
		return nil
	}
	w.forget(records)
	w.history = append(w.history, records...)
	return nil
}

// forget takes out of what waits the memories that newer ones take the place of.
// The caller holds mu.
func (w *Writer) forget(newer []Record) {
	w.history = slices.DeleteFunc(w.history, func(old Record) bool {
		return old.Kind == Memory && slices.ContainsFunc(newer, func(r Record) bool { return r.Kind == Memory && r.ID == old.ID })
	})
}

// Sent says that all messages of the outbox up to m have arrived.
func (w *Writer) Sent(m Message) {
	m.store.OutboxDone(m.Key)
	w.mu.Lock()
	w.sent++
	many := w.sent >= sentMax
	w.mu.Unlock()
	if many {
		w.nudge()
	}
}

func (w *Writer) nudge() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// Flush waits until all that was put before it is on the disk, or ctx ends.
func (w *Writer) Flush(ctx context.Context) error {
	flushed := make(chan struct{})
	select {
	case w.queue <- item{flushed: flushed}:
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-flushed:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Store is the store, for reading and for the outbox, or nil while there is
// none. It may be another one later.
func (w *Writer) Store() *Store { return w.store.Load() }

// Run writes until ctx ends, then writes what still waits and closes the
// store. It returns an error when some of that could not be written.
func (w *Writer) Run(ctx context.Context) error {
	history := time.NewTicker(w.o.HistoryEvery)
	defer history.Stop()
	tick := time.NewTicker(w.o.Tick)
	defer tick.Stop()
	trim := time.NewTimer(trimPause)
	defer trim.Stop()

	w.haveStore(ctx)
	for ctx.Err() == nil {
		w.turns.Add(1)
		select {
		case <-ctx.Done():
		case x := <-w.queue:
			w.gather(x)
			w.write(ctx)
		case <-history.C:
			select {
			case x := <-w.queue: // what waits for its turn comes first
				w.gather(x)
			default:
			}
			w.write(ctx)
		case <-w.wake:
			w.storeWall()
			w.storeSent(sentMax)
		case <-tick.C:
			w.mend(ctx)
			w.storeWall()
			w.storeSent(1)
		case <-trim.C:
			trim.Reset(w.trim())
			continue
		}
		if s := w.store.Load(); s != nil && (s.OutboxOver() || s.Crowded()) {
			trim.Reset(0)
		}
	}
	return w.stop()
}

// gather takes x and what waits behind it into the batch.
func (w *Writer) gather(x item) {
	for {
		if x.flushed != nil {
			w.flushes = append(w.flushes, x.flushed)
		} else {
			w.batch = append(w.batch, x.records...)
		}
		if len(w.batch) >= maxBatch {
			return
		}
		select {
		case x = <-w.queue:
		default:
			return
		}
	}
}

// write commits the batch and the history, however long it takes.
func (w *Writer) write(ctx context.Context) {
	w.takeHistory()
	for !w.attempt(ctx) {
		w.turns.Add(1)
		select {
		case <-ctx.Done():
			return // stop tries once more
		case <-time.After(w.o.Tick):
		}
	}
}

// takeHistory takes the history into the batch, unless others still wait: those
// come first, and a memory with history is newer than what waits. Within a commit
// the rows stand before what ended with them.
func (w *Writer) takeHistory() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.queue) > 0 {
		return
	}
	rows := 0
	for _, r := range w.history {
		if r.Kind == History {
			w.batch = slices.Insert(w.batch, rows, r)
			rows++
		} else {
			w.batch = append(w.batch, r)
		}
	}
	w.history = nil
}

// attempt writes the batch once, after making room if there is none.
func (w *Writer) attempt(ctx context.Context) bool {
	if len(w.batch) > 0 && !w.append(ctx) {
		return false
	}
	for _, flushed := range w.flushes {
		close(flushed)
	}
	w.batch, w.flushes = nil, nil // Committed may have kept the batch
	return true
}

func (w *Writer) append(ctx context.Context) bool {
	if !w.haveStore(ctx) {
		return false
	}
	s := w.store.Load()
	err := s.Append(w.batch)
	for n := 0; errors.Is(err, ErrFull) && n < roomSteps; n++ {
		if deleted, _ := s.Trim(true); deleted == 0 {
			break
		}
		w.turns.Add(1)
		err = s.Append(w.batch)
	}
	w.note(err)
	if errors.Is(err, ErrDamaged) {
		w.dropStore()
	}
	if err == nil && w.o.Committed != nil {
		w.o.Committed(w.batch)
	}
	return err == nil
}

// mend opens the store if there is none, and opens it anew, with a check, when
// a reader has met damage.
func (w *Writer) mend(ctx context.Context) {
	if s := w.store.Load(); s != nil && s.Damaged() {
		w.dropStore()
	}
	w.haveStore(ctx)
}

// haveStore opens the store if there is none.
func (w *Writer) haveStore(ctx context.Context) bool {
	if w.store.Load() != nil {
		return true
	}
	s, report, err := w.o.Open(ctx)
	w.note(err)
	if err != nil {
		return false
	}
	for i := range w.batch {
		w.batch[i].Key = Key{} // of another boot, or even of another file
	}
	w.mu.Lock()
	w.health.Opening = report
	w.walls = slices.Clone(w.told)
	w.mu.Unlock()
	w.store.Store(s)
	if w.o.Opened != nil {
		w.o.Opened(s, report)
	}
	w.storeWall()
	return true
}

// dropStore gives up a store that is damaged; the next attempt opens it anew.
func (w *Writer) dropStore() {
	if s := w.store.Swap(nil); s != nil {
		s.Close()
	}
}

// stop writes what waits, once, and closes the store.
func (w *Writer) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopAtMost)
	defer cancel()
	for more := true; more; {
		select {
		case x := <-w.queue:
			w.gather(x)
		default:
			more = false
		}
		w.takeHistory()
		if !w.attempt(ctx) {
			lost := len(w.batch) + len(w.queue)
			return fmt.Errorf("store: %d records could not be written: %w", lost, errors.Join(w.Health().Err, w.closeStore()))
		}
	}
	w.storeWall()
	return w.closeStore()
}

func (w *Writer) closeStore() error {
	s := w.store.Swap(nil)
	if s == nil {
		return nil
	}
	return s.Close()
}
