package store

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"chaffinch/internal/problem"
	bolt "go.etcd.io/bbolt"
)

// Options of a store. The zero value is what a daemon without [store] has.
type Options struct {
	// MaxBytes bounds the file. 0 means 256 MiB, which is also the most on a
	// 32-bit board: larger maps fail there.
	MaxBytes int64
	// KeepFor is how long records are kept, if they fit. 0 means for ever.
	KeepFor time.Duration
	// OutboxMax bounds the messages that wait to be sent. 0 means 20,000.
	OutboxMax int
	// OutboxFor is how long a message may wait. 0 means 90 days.
	OutboxFor time.Duration
	// Wall is the calendar clock and whether it can be trusted. Nothing is
	// deleted for its age by a clock that cannot: a board that wakes up in a
	// wrong year must not lose its records. Nil means a clock that is not
	// trusted.
	Wall func() (t time.Time, trusted bool)
	// OpenFile is a seam for tests. Nil means os.OpenFile.
	OpenFile func(name string, flag int, perm os.FileMode) (*os.File, error)
	// ReadOnly opens beside other readers and changes nothing. It fails with
	// ErrInUse while a daemon runs.
	ReadOnly bool
	// CheckTime is how long OpenChecked lets the check run, and then, if it
	// must, the salvage. 0 means 12 s.
	CheckTime time.Duration

	treeFirst bool // the pages are followed by checkTree before bbolt follows them
}

// Options says what the configuration means for Open. Wall is left to the caller.
func (s Settings) Options() Options {
	return Options{
		MaxBytes: int64(s.MaxMB) << 20,
		KeepFor:  time.Duration(s.KeepDays) * 24 * time.Hour,
	}
}

const (
	pageSize        = 4096 // said aloud: some 64-bit boards have kernels with pages of 16 KiB
	defaultMaxBytes = 256 << 20
	// reserveBytes lets deletes through when the file is full: while somebody
	// reads, even they need new pages.
	reserveBytes = 1 << 20
	// allocBytes is the step in which the file grows. bbolt's own 16 MiB
	// would make a small store look large.
	allocBytes  = 256 << 10
	lockTimeout = 2 * time.Second
)

func (o Options) withDefaults() Options {
	if o.MaxBytes <= 0 || strconv.IntSize == 32 && o.MaxBytes > defaultMaxBytes {
		o.MaxBytes = defaultMaxBytes
	}
	if o.OutboxMax <= 0 {
		o.OutboxMax = 20_000
	}
	if o.OutboxFor <= 0 {
		o.OutboxFor = 90 * 24 * time.Hour
	}
	if o.Wall == nil {
		o.Wall = func() (time.Time, bool) { return time.Now(), false }
	}
	if o.OpenFile == nil {
		o.OpenFile = os.OpenFile
	}
	if o.CheckTime <= 0 {
		o.CheckTime = 12 * time.Second
	}
	return o
}

// Open opens the store at path, or makes a new one, and begins a new boot. It
// returns ErrDamaged where the file cannot be used, ErrInUse after 2 s when
// another process has it, and the errors of the file system. A daemon calls
// OpenChecked.
func Open(path string, o Options) (*Store, error) {
	o = o.withDefaults()
	if !o.ReadOnly {
		if err := createIfAbsent(path, o); err != nil {
			return nil, fmt.Errorf("store: make %s: %w", path, classify(err))
		}
	}
	s := &Store{opts: o, path: path}
	err := guard(func() error { return s.open() })
	if err != nil {
		s.release()
		if errors.Is(err, ErrInUse) {
			return nil, &problem.Problem{What: "store " + path + " is held by another process", Try: "stop the chaffinch service first, or ask it over HTTP", Err: ErrInUse}
		}
		return nil, fmt.Errorf("store: open %s: %w", path, err)
	}
	return s, nil
}

func (s *Store) open() error {
	db, err := bolt.Open(s.path, 0o640, s.boltOptions())
	if err != nil {
		return classify(err)
	}
	s.db = db
	db.AllocSize = allocBytes
	if s.opts.treeFirst {
		info, err := s.file.Stat()
		if err != nil {
			return err
		}
		if err := checkTree(s.file, info.Size()); err != nil {
			return err
		}
	}
	if s.opts.ReadOnly {
		return s.view(func(tx *bolt.Tx) (err error) {
			s.size.Store(tx.Size())
			s.state, err = readState(tx)
			return err
		})
	}
	return s.transact(reserveBytes, func(e *edit) error {
		schema, err := migrate(e.tx, e.st.Schema, migrations[:])
		if err != nil {
			return err
		}
		s.wasClean = e.st.Clean
		e.st.Schema = schema
		e.st.Boot++
		e.st.Clean = false
		return nil
	})
}

// boltOptions keeps the free list stored: without it the whole tree is walked
// at each open, and a damaged one ends the process there. The map is as large
// as the file may become, else a reader would hold up the writer that must
// enlarge it.
func (s *Store) boltOptions() *bolt.Options {
	return &bolt.Options{
		Timeout:         lockTimeout,
		FreelistType:    bolt.FreelistMapType,
		PageSize:        pageSize,
		MaxSize:         int(s.opts.MaxBytes),
		InitialMmapSize: int(s.opts.MaxBytes + reserveBytes),
		ReadOnly:        s.opts.ReadOnly,
		OpenFile: func(name string, flag int, perm os.FileMode) (*os.File, error) {
			f, err := s.opts.OpenFile(name, flag, perm)
			s.file = f
			return f, err
		},
	}
}

// createIfAbsent makes a new file so that it is there whole or not at all:
// under another name, synced, then renamed. An empty file is what a power cut
// leaves of a file that was not made so; it counts as absent.
func createIfAbsent(path string, o Options) error {
	switch info, err := os.Stat(path); {
	case err == nil && info.Size() > 0:
		return nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	}
	now, _ := o.Wall()
	id := make([]byte, 8)
	rand.Read(id)
	return create(path, o, state{Schema: Schema, ID: hex.EncodeToString(id), Created: now.UTC().Format(time.RFC3339)}, nil)
}

// create makes a store with the given state and what fill puts in.
func create(path string, o Options, st state, fill func(*Store) error) error {
	temporary := path + ".new"
	if err := os.Remove(temporary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	s := &Store{opts: o, path: temporary}
	if err := guard(func() error { return s.fillNew(st, fill) }); err != nil {
		s.release()
		os.Remove(temporary)
		return err
	}
	if err := syncPath(temporary); err != nil {
		return err
	}
	return rename(temporary, path)
}

func (s *Store) fillNew(st state, fill func(*Store) error) error {
	options := s.boltOptions()
	options.NoSync = true // synced as a whole before it is renamed
	db, err := bolt.Open(s.path, 0o640, options)
	if err != nil {
		return classify(err)
	}
	s.db = db
	db.AllocSize = allocBytes
	st.Counts = make([]uint64, bucketCount)
	err = db.Update(func(tx *bolt.Tx) error {
		for _, name := range append([]string{metaBucket}, bucketNames[:]...) {
			if _, err := tx.CreateBucket([]byte(name)); err != nil {
				return err
			}
		}
		return writeState(tx, st)
	})
	if err == nil && fill != nil {
		err = fill(s)
	}
	if err != nil {
		return classify(err)
	}
	return db.Close()
}

// rename moves a file and makes sure that the move is on the disk.
func rename(from, to string) error {
	if err := os.Rename(from, to); err != nil {
		return err
	}
	return syncPath(filepath.Dir(to))
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
