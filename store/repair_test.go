package store

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/detect"
)

func TestVerdictOfAChild(t *testing.T) {
	exit := func(script string) error { return exec.Command("sh", "-c", script).Run() }
	for _, c := range []struct {
		name string
		out  string
		err  error
		want Verdict
	}{
		{"good", checkBanner + "\ngood\n", nil, Good},
		{"damaged", checkBanner + "\npage 3\n", exit("exit 3"), Damaged},
		{"died of it by a panic", checkBanner + "\npanic: page\n", exit("exit 2"), Damaged},
		{"died of it by a signal", checkBanner + "\n", exit("kill -BUS $$"), Damaged},
		{"could not look", checkBanner + "\nin use\n", exit("exit 1"), NotJudged},
		{"ended by who stops the service", checkBanner + "\n", exit("kill -TERM $$"), NotJudged},
		{"ended at the keyboard", checkBanner + "\n", exit("kill -INT $$"), NotJudged},
		{"its terminal is gone", checkBanner + "\n", exit("kill -HUP $$"), NotJudged},
		{"a program without the verb", "unknown command\n", exit("exit 2"), NotJudged},
		{"another program", "", nil, NotJudged},
		{"not there", "", exec.ErrNotFound, NotJudged},
		{"out of time", checkBanner + "\n", context.DeadlineExceeded, NotJudged},
	} {
		if got, detail := verdict(c.out, c.err); got != c.want {
			t.Errorf("%s: got %s (%s), want %s", c.name, got, detail, c.want)
		}
	}
}

func TestCheckNeedsNoGoodProgram(t *testing.T) {
	path := newPath(t)
	closeStore(t, open(t, path, Options{}))
	for _, exe := range []string{"/nonexistent/chaffinch", "/bin/false"} {
		s, r, err := OpenChecked(t.Context(), path, exe, Options{})
		if err != nil || r.Verdict != NotJudged || r.Detail == "" {
			t.Fatalf("%s: %+v, %v", exe, r, err)
		}
		closeStore(t, s)
	}
}

func TestCheckThatHangsIsLeft(t *testing.T) {
	path := newPath(t)
	closeStore(t, open(t, path, Options{}))
	slow := filepath.Join(t.TempDir(), "slow")
	if err := os.WriteFile(slow, []byte("#!/bin/sh\necho "+checkBanner+"\nexec sleep 60\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	s, r, err := OpenChecked(t.Context(), path, slow, Options{CheckTime: 100 * time.Millisecond})
	if err != nil || r.Verdict != NotJudged || r.Took > 5*time.Second {
		t.Fatalf("%+v, %v", r, err)
	}
	closeStore(t, s)
}

// A stop in the middle of a salvage, as the service manager does it, to the program
// or to its children: the next start, or the next attempt, salvages.
func TestASalvageThatIsStoppedIsDoneLater(t *testing.T) {
	script := "#!/bin/sh\necho '" + checkBanner + "'\n[ $2 = --salvage ] || exit 3\n"
	for _, c := range []struct{ name, salvage string }{
		{"the program", "exec sleep 60\n"},
		{"the child", "kill -TERM $$\n"},
	} {
		path := newPath(t)
		s := open(t, path, Options{})
		appendAll(t, s, event("a", detect.Ended, detect.Low))
		closeStore(t, s)
		exe := filepath.Join(t.TempDir(), "stopped")
		if err := os.WriteFile(exe, []byte(script+c.salvage), 0o700); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		s, r, err := OpenChecked(ctx, path, exe, Options{})
		cancel()
		if err == nil {
			closeStore(t, s)
			t.Errorf("stopped %s: %+v", c.name, r)
		}
		if aside, _ := filepath.Glob(path + ".*"); len(aside) != 0 {
			t.Errorf("stopped %s: %v", c.name, aside)
		}
		s = open(t, path, Options{})
		if s.Count(Event) != 1 {
			t.Errorf("stopped %s: %d events", c.name, s.Count(Event))
		}
		closeStore(t, s)
	}
}

func TestWhatIsNoStoreIsSetAside(t *testing.T) {
	for _, c := range []struct{ name, content string }{
		{"text", strings.Repeat("not a store\n", 2000)},
		{"a few bytes", "x"},
		{"zeroes", strings.Repeat("\x00", 64<<10)},
	} {
		path := newPath(t)
		for n := range 3 {
			if err := os.WriteFile(path, []byte(c.content), 0o600); err != nil {
				t.Fatal(err)
			}
			s, r, err := OpenChecked(t.Context(), path, selfExe(t), Options{})
			if err != nil || r.Verdict != Damaged || r.Kept != 0 {
				t.Fatalf("%s: %+v, %v", c.name, r, err)
			}
			appendAll(t, s, event("a", detect.Ended, detect.Low))
			closeStore(t, s)
			aside, _ := filepath.Glob(path + ".*")
			if len(aside) != 1 || aside[0] != r.SetAside || !strings.HasSuffix(r.SetAside, ".damaged-"+string(rune('1'+n))) {
				t.Fatalf("%s: %v, report %s", c.name, aside, r.SetAside)
			}
		}
	}
}

// A power cut between the two renames of a repair.
func TestRepairIsFinishedByTheNextStart(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	appendAll(t, s, event("a", detect.Ended, detect.Low))
	closeStore(t, s)
	if err := os.Rename(path, salvagedName(path)); err != nil {
		t.Fatal(err)
	}
	s, r, err := OpenChecked(t.Context(), path, selfExe(t), Options{})
	if err != nil || r.Verdict != Good || s.Count(Event) != 1 {
		t.Fatalf("%+v, %v", r, err)
	}
	closeStore(t, s)
}

// When the check did not come to an end the opening itself may find damage.
func TestOpenFindsWhatTheCheckDidNot(t *testing.T) {
	path := newPath(t)
	if err := os.WriteFile(path, []byte(strings.Repeat("not a store\n", 2000)), 0o600); err != nil {
		t.Fatal(err)
	}
	s, r, err := OpenChecked(t.Context(), path, "/nonexistent/chaffinch", Options{})
	if err != nil || r.Verdict != Damaged || r.SetAside == "" || r.Salvaged || r.Trouble == "" {
		t.Fatalf("%+v, %v", r, err)
	}
	closeStore(t, s)
}

func TestCheckFileFindsAPageThatLostItsTail(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	appendAll(t, s, ended("a", detect.Low)...)
	// Pages, order and checksums stay right; only the number is wrong.
	err := s.transact(0, func(e *edit) error {
		return e.bucket(int(Event)).Delete(Key{1, 2}.bytes())
	})
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if err := CheckFile(path); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "holds 1 records, should be 2") {
		t.Errorf("got %v", err)
	}
	os.Remove(path)
}

func TestSalvage(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	appendAll(t, s, event("left open by the first boot", detect.Raised, detect.Low))
	closeStore(t, s)
	s = open(t, path, Options{})
	long := event("long", detect.Ended, detect.High)
	long.Payload = []byte(strings.Repeat("0123456789", MaxPayload/10))
	in := appendAll(t, s, event("still open", detect.Raised, detect.Low), long)
	s.OutboxDone(in[0].Key)
	id := s.ID()
	closeStore(t, s)
	target := newPath(t)
	if kept, err := Salvage(path, target); err != nil || kept != 3 {
		t.Fatalf("kept %d, %v", kept, err)
	}
	s = open(t, target, Options{})
	if s.ID() != id || s.Boot() != 3 {
		t.Errorf("id %s, was %s; boot %d", s.ID(), id, s.Boot())
	}
	if got := readAll(t, s, Event); len(got) != 3 || string(got[2].Payload) != string(long.Payload) || got[2].Key != in[1].Key {
		t.Errorf("%d events", len(got))
	}
	// The boot before the last one had its events ended by the next.
	if active, err := s.Active(); err != nil || len(active) != 1 || active[0].ID != "still open" {
		t.Errorf("active %v, %v", active, err)
	}
	if m, err := s.OutboxNext(0); err != nil || len(m) != 1 || m[0].Record.ID != "long" {
		t.Errorf("%d messages, %v", len(m), err)
	}
	closeStore(t, s)
}
