package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Verdict is what the check of a file came to.
type Verdict uint8

const (
	NotJudged Verdict = iota // the check did not end in time, or could not be run
	Absent                   // there was no file
	Good
	Damaged
)

var verdictNames = [...]string{"not judged", "absent", "good", "damaged"}

// String is the word for people and for logs.
func (v Verdict) String() string {
	if int(v) < len(verdictNames) {
		return verdictNames[v]
	}
	return "invalid"
}

// Report tells what OpenChecked found and did. It is shown until somebody has
// acknowledged it when Verdict is Damaged.
type Report struct {
	Verdict  Verdict
	Detail   string // the first fault, or why there is no verdict
	SetAside string // where the damaged file is now, or empty
	Salvaged bool   // the store in use was made of what could be read
	Kept     int    // records that were salvaged
	Trouble  string // why salvage did not work, or empty
	Took     time.Duration
}

// OpenChecked opens the store at path after a look at it in a child process:
// selfExe check-store PATH, which must be CheckCommand. A damaged file cannot
// take this process along then. It is set aside as path.damaged-N (the one set
// aside before is deleted), what can be read is brought over into a new store
// by a second child, selfExe check-store --salvage SOURCE TARGET, and that, or
// else an empty one, is opened. It returns an error only where no store can be
// opened at all, or where the salvage was stopped.
func OpenChecked(ctx context.Context, path, selfExe string, o Options) (*Store, Report, error) {
	o = o.withDefaults()
	began := time.Now()
	r := Report{}
	if err := finishRepair(path); err != nil {
		return nil, r, fmt.Errorf("store: open %s: %w", path, classify(err))
	}
	r.Verdict, r.Detail = judge(ctx, path, selfExe, o.CheckTime)
	if r.Verdict == Damaged {
		if err := r.repair(ctx, path, selfExe, o.CheckTime); err != nil {
			return nil, r, fmt.Errorf("store: mend %s: %w", path, classify(err))
		}
	}
	s, err := Open(path, o)
	if errors.Is(err, ErrDamaged) && r.Verdict != Damaged {
		r.Verdict, r.Detail = Damaged, err.Error()
		if err := r.repair(ctx, path, selfExe, o.CheckTime); err != nil {
			return nil, r, fmt.Errorf("store: mend %s: %w", path, classify(err))
		}
		s, err = Open(path, o)
	}
	r.Took = time.Since(began)
	return s, r, err
}

func salvagedName(path string) string { return path + ".salvaged" }

// finishRepair ends a repair that a power cut stopped between its two renames.
func finishRepair(path string) error {
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if _, err := os.Stat(salvagedName(path)); err != nil {
		return nil
	}
	return rename(salvagedName(path), path)
}

func judge(ctx context.Context, path, selfExe string, limit time.Duration) (Verdict, string) {
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		return Absent, ""
	}
	out, err := runChild(ctx, limit, selfExe, "check-store", path)
	return verdict(out, err)
}

// repair salvages first and renames then, so that a power cut at any moment
// leaves the damaged file or the salvaged one where the next start finds it. A
// salvage that somebody stopped is an error, and the file stays for the next one.
func (r *Report) repair(ctx context.Context, path, selfExe string, limit time.Duration) error {
	target := salvagedName(path)
	os.Remove(target)
	out, err := runChild(ctx, limit, selfExe, "check-store", "--salvage", path, target)
	if v, detail := verdict(out, err); v == Good {
		r.Salvaged = true
		r.Kept, _ = strconv.Atoi(strings.TrimPrefix(detail, keptPrefix))
	} else if ctx.Err() != nil || wasStopped(err) {
		os.Remove(target)
		return fmt.Errorf("the salvage was stopped: %s", detail)
	} else {
		r.Trouble = detail
		os.Remove(target)
	}
	if r.SetAside, err = setAside(path); err != nil {
		return err
	}
	if !r.Salvaged {
		return nil
	}
	return rename(target, path)
}

// setAside renames a damaged file and deletes the one set aside before it.
func setAside(path string) (string, error) {
	last := 0
	older, _ := filepath.Glob(globEscape(path) + ".damaged-*")
	for _, name := range older {
		n, _ := strconv.Atoi(name[strings.LastIndexByte(name, '-')+1:])
		last = max(last, n)
	}
	name := fmt.Sprintf("%s.damaged-%d", path, last+1)
	if err := rename(path, name); err != nil {
		return "", err
	}
	for _, old := range older {
		os.Remove(old)
	}
	return name, nil
}

func globEscape(path string) string {
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
}

// childOutput bounds what is kept of what a child says; a dying one says much.
const childOutput = 8 << 10

func runChild(ctx context.Context, limit time.Duration, exe string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	var out firstBytes
	cmd := exec.CommandContext(ctx, exe, args...)
	cmd.Stdout, cmd.Stderr = &out, &out
	cmd.WaitDelay = time.Second
	err := cmd.Run()
	if ctx.Err() != nil {
		return out.String(), ctx.Err()
	}
	return out.String(), err
}

// firstBytes keeps the first childOutput bytes.
type firstBytes struct{ bytes.Buffer }

func (f *firstBytes) Write(p []byte) (int, error) {
	f.Buffer.Write(p[:min(len(p), childOutput-f.Len())])
	return len(p), nil
}

// wasStopped tells whether a child was ended from outside: a service manager that
// stops the program sends its children the same signal, and so does a terminal.
func wasStopped(err error) bool {
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		return false
	}
	status, ok := exit.Sys().(syscall.WaitStatus)
	if !ok || !status.Signaled() {
		return false
	}
	switch status.Signal() {
	case syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP:
		return true
	}
	return false
}

// verdict reads what a child said and how it ended. A child that began to look
// and died of it, by a signal or by Go's exit code 2, has found damage.
func verdict(out string, err error) (Verdict, string) {
	began, said, _ := strings.Cut(out, "\n")
	said, _, _ = strings.Cut(said, "\n")
	var exit *exec.ExitError
	switch {
	case began != checkBanner:
		if err == nil {
			err = fmt.Errorf("unexpected answer %q", began)
		}
		return NotJudged, err.Error()
	case err == nil:
		return Good, said
	case wasStopped(err):
	case errors.As(err, &exit) && (exit.ExitCode() == ExitDamaged || exit.ExitCode() == 2 || exit.ExitCode() < 0):
		if said == "" {
			said = err.Error()
		}
		return Damaged, said
	}
	return NotJudged, fmt.Sprintf("%v: %s", err, said)
}
