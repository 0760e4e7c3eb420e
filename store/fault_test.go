package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"syscall"
	"testing"

	"chaffinch/detect"
	"chaffinch/internal/outside"

	berrors "go.etcd.io/bbolt/errors"
	"golang.org/x/sys/unix"
)

// faultyFile is a store's file whose writes can be made to fail: another open
// file is put in its place under its number, so that the kernel gives the error.
type faultyFile struct {
	t     *testing.T
	file  *os.File
	saved int
}

func (f *faultyFile) open(name string, flag int, perm os.FileMode) (*os.File, error) {
	file, err := os.OpenFile(name, flag, perm)
	f.file = file
	return file, err
}

func (f *faultyFile) replace(other *os.File) {
	f.t.Helper()
	var err error
	if f.saved, err = unix.Dup(int(f.file.Fd())); err != nil {
		f.t.Fatal(err)
	}
	if err := unix.Dup3(int(other.Fd()), int(f.file.Fd()), unix.O_CLOEXEC); err != nil {
		f.t.Fatal(err)
	}
}

func (f *faultyFile) mend() {
	f.t.Helper()
	if err := unix.Dup3(f.saved, int(f.file.Fd()), unix.O_CLOEXEC); err != nil {
		f.t.Fatal(err)
	}
	unix.Close(f.saved)
}

// writeFaults are open files that refuse what is written.
var writeFaults = []struct {
	name  string
	want  error
	errno error
	open  func(t *testing.T) *os.File
}{
	{"no space left", ErrFull, syscall.ENOSPC, func(t *testing.T) *os.File {
		return mustOpen(t, "/dev/full", os.O_RDWR)
	}},
	{"input/output error", syscall.EIO, syscall.EIO, func(t *testing.T) *os.File {
		// Nothing is mapped at the bottom of a process's memory.
		child := exec.Command(outside.Tool(t, "sleep"), "60")
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { child.Process.Kill(); child.Wait() })
		return mustOpen(t, fmt.Sprintf("/proc/%d/mem", child.Process.Pid), os.O_RDWR)
	}},
	{"file not open for writing", syscall.EBADF, syscall.EBADF, func(t *testing.T) *os.File {
		return mustOpen(t, "/dev/null", os.O_RDONLY)
	}},
}

func mustOpen(t *testing.T, name string, flag int) *os.File {
	f, err := os.OpenFile(name, flag, 0)
	if err != nil {
		unavailable(t, err.Error())
	}
	t.Cleanup(func() { f.Close() })
	return f
}

func TestFailedWriteLosesNothing(t *testing.T) {
	for _, c := range writeFaults {
		t.Run(c.name, func(t *testing.T) {
			path := newPath(t)
			f := &faultyFile{t: t}
			s := open(t, path, Options{OpenFile: f.open})
			for i := range 30 {
				appendAll(t, s, ended(fmt.Sprint(i), detect.Low)...)
			}
			f.replace(c.open(t))
			batch := ended("later", detect.High)
			for range 3 {
				if err := s.Append(batch); !errors.Is(err, c.want) || !errors.Is(err, c.errno) {
					t.Fatalf("got %v", err)
				}
			}
			if n := len(readAll(t, s, Event)); n != 60 {
				t.Errorf("%d events can be read meanwhile", n)
			}
			f.mend()
			keys := []Key{batch[0].Key, batch[1].Key}
			appendAll(t, s, batch...)
			if batch[0].Key != keys[0] || batch[1].Key != keys[1] {
				t.Error("tried again under other keys")
			}
			other := appendAll(t, s, event("last", detect.Ended, detect.Low))
			if other[0].Key.Seq <= keys[1].Seq {
				t.Errorf("key %s after %s", other[0].Key, keys[1])
			}
			if got := readAll(t, s, Event); len(got) != 63 || s.Count(Event) != 63 {
				t.Errorf("%d events, count %d", len(got), s.Count(Event))
			}
			closeStore(t, s)
		})
	}
}

func TestFullByItsOwnBound(t *testing.T) {
	s := open(t, newPath(t), Options{MaxBytes: 512 << 10})
	var err error
	n := 0
	for ; err == nil && n < 10_000; n++ {
		err = s.Append([]Record{event(fmt.Sprint(n), detect.Raised, detect.High)})
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("%d events, %v", n, err)
	}
	if got := len(readAll(t, s, Event)); got != n-1 {
		t.Errorf("%d can be read of %d", got, n-1)
	}
	// What must be written down to make room still can be.
	m, err := s.OutboxNext(100)
	if err != nil {
		t.Fatal(err)
	}
	s.OutboxDone(m[len(m)-1].Key)
	if _, err := s.StoreSent(); err != nil {
		t.Error(err)
	}
	closeStore(t, s)
}

// While somebody reads, no page of an earlier commit is free again, and
// deleting needs new pages when there are none.
func TestFullWhileSomebodyReads(t *testing.T) {
	s := open(t, newPath(t), Options{MaxBytes: 512 << 10})
	reader, err := s.db.Begin(false)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		err = s.Append(history(1, 10))
	}
	if !errors.Is(err, ErrFull) {
		t.Fatal(err)
	}
	if n, err := s.Trim(true); err != nil || n == 0 {
		t.Errorf("%d deleted, %v", n, err)
	}
	if err := reader.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := s.Append(history(1, 10)); err != nil {
		t.Errorf("after the reader has ended: %v", err)
	}
	closeStore(t, s)
}

func TestErrorsAreTold(t *testing.T) {
	at := func(e syscall.Errno) error { return &fs.PathError{Op: "write", Path: "x", Err: e} }
	for _, c := range []struct{ err, want error }{
		{at(syscall.ENOSPC), ErrFull},
		{at(syscall.EDQUOT), ErrFull},
		{fmt.Errorf("file resize error: %s", at(syscall.ENOSPC)), ErrFull}, // as bbolt's grow has it
		{berrors.ErrMaxSizeReached, ErrFull},
		{at(syscall.EROFS), ErrReadOnly},
		{fmt.Errorf("file sync error: %s", at(syscall.EROFS)), ErrReadOnly},
		{berrors.ErrTimeout, ErrInUse},
		{berrors.ErrChecksum, ErrDamaged},
		{berrors.ErrInvalid, ErrDamaged},
		{at(syscall.EIO), syscall.EIO},
	} {
		if got := classify(c.err); !errors.Is(got, c.want) {
			t.Errorf("%v: got %v, want %v", c.err, got, c.want)
		}
		for _, other := range []error{ErrFull, ErrReadOnly, ErrInUse, ErrDamaged} {
			if got := classify(c.err); other != c.want && errors.Is(got, other) {
				t.Errorf("%v: is %v too", c.err, other)
			}
		}
	}
}

// The file is cut while it is mapped: reading it is a bus error, which would
// end the process.
func TestFileCutWhileOpen(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*Store) error
	}{
		{"read", func(s *Store) error { _, _, err := s.Read(Event, Key{}, 0); return err }},
		{"outbox", func(s *Store) error { _, err := s.OutboxNext(0); return err }},
		{"write", func(s *Store) error { return s.Append(ended("z", detect.Low)) }},
	} {
		path := newPath(t)
		s := open(t, path, Options{})
		for i := range 300 {
			appendAll(t, s, ended(fmt.Sprint(i), detect.Low)...)
		}
		if err := os.Truncate(path, 2*pageSize); err != nil {
			t.Fatal(err)
		}
		if err := c.do(s); !errors.Is(err, ErrDamaged) || !s.Damaged() {
			t.Errorf("%s: %v", c.name, err)
		}
		s.Close()
		os.Remove(path)
	}
}
