package faults

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/internal/daemon"
	"chaffinch/internal/outside"

	"golang.org/x/sys/unix"
)

// descriptor finds the file that this process has open for writing under a path.
func descriptor(t *testing.T, path string) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, one := range list {
		if to, err := os.Readlink("/proc/self/fd/" + one.Name()); err == nil && to == path {
			fd, _ := strconv.Atoi(one.Name())
			return fd
		}
	}
	t.Fatalf("nobody has %s open", path)
	return -1
}

// put puts another open file in the place of one; mend puts it back.
func put(t *testing.T, fd, other int) (mend func()) {
	t.Helper()
	saved, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
	if err == nil {
		err = unix.Dup3(other, fd, unix.O_CLOEXEC)
	}
	if err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := unix.Dup3(saved, fd, unix.O_CLOEXEC); err != nil {
			t.Error(err)
		}
		unix.Close(saved)
	}
}

func opened(t *testing.T, name string, flag int) int {
	f, err := os.OpenFile(name, flag, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return int(f.Fd())
}

// Promises: detection goes on when nothing can be written; alerts come in time; it
// tells that it is not recording, and when it is again; nothing that was shown is
// lost.
//
// The faults are the kernel's own: its file that is always full (full(4)), the
// memory of a process where nothing is mapped (an input/output error), and a file
// that is open for reading only.
func TestDetectionGoesOnWhileNothingCanBeWritten(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes a minute")
	}
	want := reference(t)
	for _, c := range []struct {
		name  string
		other func(t *testing.T) int
	}{
		{"the disk is full", func(t *testing.T) int { return opened(t, "/dev/full", os.O_RDWR) }},
		{"the card gives errors", func(t *testing.T) int {
			child := exec.Command(outside.Tool(t, "sleep"), "300")
			if err := child.Start(); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { child.Process.Kill(); child.Wait() })
			return opened(t, fmt.Sprintf("/proc/%d/mem", child.Process.Pid), os.O_RDWR)
		}},
		{"the file cannot be written", func(t *testing.T) int { return opened(t, "/dev/null", os.O_RDONLY) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, harvest(), 60)
			r.start()
			r.reports("it is recording", func(s *daemon.Status) bool { return s.Store.Recording })
			r.until("the first alarms", func() bool { m, _ := r.all(); return len(m) > 4 })
			mend := put(t, descriptor(t, r.cfg.Store.Path), c.other(t))
			r.until("it tells that it does not record", func() bool { _, own := r.all(); return len(own) == 1 })
			r.reports("its status is bad", func(s *daemon.Status) bool { return !s.Well && !s.Store.Recording && s.Do != "" })
			before, _ := r.all()
			r.until("alarms go on", func() bool { m, _ := r.all(); return len(m) > len(before)+4 })
			mend()
			r.until("it tells that it records again", func() bool { _, own := r.all(); return len(own) == 2 && own[1].phase == detect.Ended })
			r.reports("its status is good again", func(s *daemon.Status) bool { return s.Store.Recording && s.Store.Why == "" })
			r.ended()
			machine, _ := r.all()
			if got := whats(machine); got != want {
				t.Errorf("told\n%s\nwithout a fault it tells\n%s", got, want)
			}
			r.inTime()
			r.nothingLost()
		})
	}
}

// inTime holds what was published to the promise of internal/daemon: what the
// store holds back is published after a second if it is urgent, after ten if not.
func (r *rig) inTime() {
	r.t.Helper()
	const scheduling = 1500 * time.Millisecond // a busy test machine
	var worst, worstUrgent time.Duration
	machine, _ := r.all()
	for _, s := range machine {
		most := 10*time.Second + scheduling
		if s.priority == detect.High && s.phase == detect.Raised {
			most = time.Second + scheduling
			worstUrgent = max(worstUrgent, s.late)
		}
		worst = max(worst, s.late)
		if s.late > most {
			r.t.Errorf("%s came %v late", s.what, s.late.Round(time.Millisecond))
		}
	}
	r.t.Logf("latest %v, of the urgent %v", worst.Round(time.Millisecond), worstUrgent.Round(time.Millisecond))
}

// Promise: a card that takes seconds for each sync holds up no urgent alert, and
// loses nothing. strace makes the kernel's fdatasync take three seconds.
func TestASlowCardHoldsUpNoUrgentAlert(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes a minute")
	}
	strace := outside.Tool(t, "strace")
	want := reference(t)
	r := newRig(t, harvest(), 40)
	r.start()
	r.reports("it is recording", func(s *daemon.Status) bool { return s.Store.Recording })
	record := filepath.Join(t.TempDir(), "trace")
	slow := exec.Command(strace, "-f", "-qq", "-o", record, "-p", strconv.Itoa(os.Getpid()),
		"-e", "trace=fdatasync,fsync", "-e", "inject=fdatasync,fsync:delay_enter=3000000")
	if err := slow.Start(); err != nil {
		t.Fatal(err)
	}
	m, _ := r.all()
	r.until("alarms go on", func() bool { now, _ := r.all(); return len(now) > len(m)+8 })
	slow.Process.Signal(os.Interrupt) // lets go
	slow.Wait()
	r.ended()
	if trace, err := os.ReadFile(record); err != nil || len(trace) == 0 {
		t.Errorf("no sync was slowed down: %v", err)
	}
	machine, _ := r.all()
	if got := whats(machine); got != want {
		t.Errorf("told\n%s\nwithout a fault it tells\n%s", got, want)
	}
	r.inTime()
	r.nothingLost()
}
