package core

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/problem"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// Recording puts what a replay finds into a store of its own, as the daemon would
// have, but that nothing waits to be sent. Its methods are outputs of a core.
type Recording struct {
	store  *store.Store
	core   *Core
	clock  publish.Clock
	seq    uint64
	block  *history.Builder
	batch  []store.Record
	bytes  int
	offset int64          // of the newest wall record
	last   signal.Instant // the newest step
	dated  bool
	err    error // the first
}

// BlockRows is how many rows of history go into a block, in seconds. So much a
// power cut may lose, and what the store's writer still holds back; a commit costs
// the card some 25 KB whatever is in it.
const BlockRows = 120

const (
	recordingBatch = 200     // records in one commit
	recordingBytes = 1 << 20 // or bytes
)

// NewRecording makes a store. The file must not be there yet.
func NewRecording(path string, settings store.Settings) (*Recording, error) {
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil, &problem.Problem{What: path + " is there already", Try: "give the name of a new file, or remove it first", Err: err}
	}
	s, err := store.Open(path, settings.Options())
	if err != nil {
		return nil, err
	}
	return &Recording{store: s, block: history.NewBuilder()}, nil
}

// Follow says whose outputs it gets; before the first frame.
func (r *Recording) Follow(c *Core) {
	r.core = c
	c.Boot = uint64(r.store.Boot())
	r.clock = publish.Clock{Boot: c.Boot, Wall: func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true }}
}

// Beside makes outputs that the recording gets too, after those that there are.
func (r *Recording) Beside(o Outputs) Outputs {
	o.Event = both(o.Event, r.Event)
	o.Note = both(o.Note, r.Note)
	o.Input = both(o.Input, r.Input)
	o.State = both(o.State, r.State)
	o.Shift = both(o.Shift, r.Shift)
	o.Row = both(o.Row, r.Row)
	return o
}

func both[T any](first, second func(T)) func(T) {
	if first == nil {
		return second
	}
	return func(v T) { first(v); second(v) }
}

// Event takes a phase of an event.
func (r *Recording) Event(e *detect.Event) {
	r.seq++
	r.put(EventRecord(r.seq, r.core.Now(), e, r.clock))
}

// Note takes what the adviser tells.
func (r *Recording) Note(n *advise.Note) {
	r.seq++
	r.put(NoteRecord(r.seq, n, r.clock))
}

// Input takes what was told.
func (r *Recording) Input(t Told) {
	if record, err := InputRecord(t, r.clock); err == nil {
		r.put(record)
	} else {
		r.fail(err)
	}
}

// State takes each step: a segment has dates of its own, from its first step to its
// last.
func (r *Recording) State(s *machine.State) {
	if offset := r.core.Offset(); !r.dated || offset != r.offset {
		r.flush()
		walls := []store.Wall{r.wall(s.Now)}
		if r.dated {
			walls = append(walls, r.wall(r.last))
		}
		r.fail(r.store.AppendWall(walls...))
		r.dated, r.offset = true, offset
	}
	r.last = s.Now
}

// wall is the date of an instant.
func (r *Recording) wall(at signal.Instant) store.Wall {
	return store.Wall{At: at, Time: time.Unix(0, r.core.Stamp(at)), Source: store.SystemClock}
}

// Row takes a row of history.
func (r *Recording) Row(row *history.Row) {
	if !r.block.Add(row) {
		r.endBlock()
		r.block.Add(row)
	}
	if r.block.Rows() >= BlockRows {
		r.endBlock()
	}
}

func (r *Recording) endBlock() {
	if r.block.Rows() > 0 {
		at := r.block.First()
		r.put(history.Record(at, r.block.AppendBlock(nil)))
	}
}

// Shift takes a shift's phases.
func (r *Recording) Shift(t ShiftTold) {
	switch t.Phase {
	case ShiftBegan:
		r.shift(shift.PhaseBegan, t.Summary)
	case ShiftEnded:
		r.shift(shift.PhaseEnded, t.Summary)
	}
}

func (r *Recording) shift(phase string, s *shift.Summary) {
	r.endBlock()
	r.seq++
	date := func(m shift.Moment) (time.Time, bool) { return time.Unix(0, r.core.Stamp(m.At)), true }
	record, err := ShiftRecord(r.seq, r.core.Now(), phase, s, date, r.clock)
	if err != nil {
		r.fail(err)
		return
	}
	r.put(record)
}

func (r *Recording) put(record store.Record) {
	record.Send = false
	r.batch = append(r.batch, record)
	if r.bytes += len(record.Payload); len(r.batch) >= recordingBatch || r.bytes > recordingBytes {
		r.flush()
	}
}

func (r *Recording) flush() {
	if len(r.batch) > 0 {
		r.fail(r.store.Append(r.batch))
	}
	r.batch, r.bytes = nil, 0
}

func (r *Recording) fail(err error) {
	if r.err == nil && err != nil {
		r.err = fmt.Errorf("record: %w", err)
	}
}

// Close ends the shift with the log, and the store. It returns the first error of
// all.
func (r *Recording) Close() error {
	if r.core != nil {
		if s := r.core.ShiftToEnd(); s != nil {
			r.shift(shift.PhaseEnded, s)
		}
	}
	r.endBlock()
	r.flush()
	r.fail(r.store.Close())
	return r.err
}
