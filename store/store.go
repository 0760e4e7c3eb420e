package store

import (
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Store is an open store. Its methods may be called from any goroutine; the
// daemon writes from one only, the Writer.
type Store struct {
	path     string
	opts     Options
	db       *bolt.DB
	file     *os.File // bbolt's own, to let go of the lock of a store that cannot be closed
	wasClean bool

	mu  sync.Mutex // held by the one that writes; guards what follows
	seq uint64     // the last sequence given, in this process

	shared sync.Mutex // guards what follows
	state  state      // as of the last commit
	done   Key        // the outbox was sent up to here

	outbox sync.Mutex // held to take messages out and to drop some; guards what follows
	handed Key        // messages up to here were handed to the sender, and are not dropped
	making bool       // room, in more than one step

	damaged atomic.Bool   // the file turned out not to be what it should
	broken  atomic.Bool   // bbolt panicked; its locks may be held for ever, so it is not called again
	size    atomic.Int64  // pages that are or were in use, in bytes
	dropped atomic.Uint64 // messages dropped from the outbox
	bad     atomic.Uint64 // records passed over because their checksum was wrong
}

// ID names this store, and so this board: 16 hexadecimal digits, random, made
// with the file.
func (s *Store) ID() string { return s.snapshot().ID }

// Boot counts the openings for writing; it is the Boot of the keys written now.
func (s *Store) Boot() uint32 { return s.snapshot().Boot }

// WasClean tells whether the last process closed the store in good order.
func (s *Store) WasClean() bool { return s.wasClean }

// Count is the number of records of a kind.
func (s *Store) Count(k Kind) uint64 { return s.snapshot().Counts[k] }

// BadRecords is how many records were passed over since the store was opened
// because their checksum was wrong.
func (s *Store) BadRecords() uint64 { return s.bad.Load() }

// Damaged tells whether the file turned out to be damaged while it was in use.
func (s *Store) Damaged() bool { return s.damaged.Load() }

func (s *Store) snapshot() state {
	s.shared.Lock()
	defer s.shared.Unlock()
	return s.state
}

// Used is the part of the file that held something at the last commit, in bytes.
func (s *Store) Used() int64 {
	stats := s.db.Stats()
	return s.size.Load() - int64(stats.FreePageN+stats.PendingPageN)*pageSize
}

// closeTimeout is how long Close waits for readers.
const closeTimeout = 3 * time.Second

// Close writes the mark of a clean stop and closes the file. Readers must have
// ended; it waits 3 s for them and then leaves the file as it is, which is safe.
func (s *Store) Close() error {
	var err error
	if !s.opts.ReadOnly {
		err = s.transact(reserveBytes, func(e *edit) error {
			if _, err := s.storeSent(e); err != nil && err != errUnchanged {
				return err
			}
			e.st.Clean = !s.damaged.Load()
			return nil
		})
	}
	if s.broken.Load() {
		s.abandon()
		return fmt.Errorf("store: close %s: %w", s.path, ErrDamaged)
	}
	closed := make(chan error, 1)
	go func() { closed <- guard(s.db.Close) }()
	select {
	case closeErr := <-closed:
		err = errors.Join(err, closeErr)
	case <-time.After(closeTimeout):
		err = errors.Join(err, errors.New("a reader is still open"))
	}
	if err != nil {
		return fmt.Errorf("store: close %s: %w", s.path, err)
	}
	return nil
}

// abandon lets go of the file's lock without bbolt's help, and ends all calls
// to it. The map of the file stays until the process ends.
func (s *Store) abandon() {
	s.broken.Store(true)
	if s.file == nil {
		return
	}
	// Closing alone does not unlock: the map holds on to the open file.
	_ = syscall.Flock(int(s.file.Fd()), syscall.LOCK_UN)
	s.file.Close()
}

// release ends an opening that failed.
func (s *Store) release() {
	if s.db == nil || s.broken.Load() || guard(s.db.Close) != nil {
		s.abandon()
	}
}

// errUnchanged ends a transaction that has nothing to write.
var errUnchanged = errors.New("nothing to write")

// transact runs fn in one write transaction. reserve lets the file grow past
// its bound by that much.
func (s *Store) transact(reserve int64, fn func(*edit) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.db.MaxSize = int(s.opts.MaxBytes + reserve)
	var e edit
	err := s.call(func() error {
		return s.db.Update(func(tx *bolt.Tx) (err error) {
			e.tx = tx
			s.size.Store(tx.Size())
			// The state is read each time: after a commit that failed in its
			// last step the file may be ahead of what this process knows.
			if e.st, err = readState(tx); err != nil {
				return err
			}
			s.seq = max(s.seq, e.st.Sequence)
			if err := fn(&e); err != nil {
				return err
			}
			return writeState(tx, e.st)
		})
	})
	if err == errUnchanged {
		return nil
	}
	if err != nil {
		return classify(err)
	}
	s.dropped.Add(e.dropped)
	s.shared.Lock()
	s.state = e.st
	s.shared.Unlock()
	return nil
}

// view runs fn in a read transaction. What fn takes along it must copy.
func (s *Store) view(fn func(*bolt.Tx) error) error {
	return s.call(func() error { return s.db.View(fn) })
}

// call is how bbolt is called once the store is open. After a panic it is not
// called again: it may hold its locks.
func (s *Store) call(fn func() error) error {
	if s.broken.Load() {
		return ErrDamaged
	}
	err := guard(fn)
	var fault *faultError
	if errors.As(err, &fault) {
		s.broken.Store(true)
	}
	if errors.Is(err, ErrDamaged) {
		s.damaged.Store(true)
	}
	return err
}

// faultError is a panic of bbolt, or a page of the file that the kernel could
// not bring.
type faultError struct{ cause any }

func (f *faultError) Error() string { return fmt.Sprint(f.cause) }

// guard is the door to bbolt: what panics or faults behind it comes out as
// ErrDamaged.
func guard(fn func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %w", ErrDamaged, &faultError{r})
		}
	}()
	return fn()
}
