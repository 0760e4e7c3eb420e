package main

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Start is how long something takes from exec on, in seconds by the clock.
type Start struct {
	What   string  `json:"what"`
	Median float64 `json:"median_s"`
	Least  float64 `json:"least_s"`
	Most   float64 `json:"most_s"`
	Runs   int     `json:"runs"`
}

// Live is what the running daemon takes.
type Live struct {
	What    string  `json:"what"`
	CorePct float64 `json:"core_pct"` // of one processor
	PeakMB  float64 `json:"peak_mb"`  // resident
}

// daemons measures starts, and the program as it runs in a cab but with a bus that
// it makes up itself. What a real bus takes, with the kernel's work for it, is
// counted by internal/onkernel.
func daemons(program, folder string, runs int, report *Report) error {
	fmt.Print("\n| from exec on | seconds by the clock (least to most) |\n|---|--:|\n")
	for _, one := range []struct {
		what string
		do   func(n int) (took time.Duration, err error)
	}{
		{"until `version` has ended", func(int) (time.Duration, error) {
			began := time.Now()
			err := command(program, "version")
			return time.Since(began), err
		}},
		{"until the demo's page answers, with a new store", func(n int) (time.Duration, error) {
			began := time.Now()
			d, err := startDemo(program, filepath.Join(folder, fmt.Sprintf("start-%d.db", n)), "1")
			if err != nil {
				return 0, err
			}
			took := time.Since(began) // the end of it is not the start
			return took, d.end()
		}},
	} {
		took := make([]float64, runs)
		for n := range took {
			t, err := one.do(n)
			if err != nil {
				return err
			}
			took[n] = t.Seconds()
		}
		slices.Sort(took)
		s := Start{What: one.what, Median: took[runs/2], Least: took[0], Most: took[runs-1], Runs: runs}
		fmt.Printf("| %s | %.3f (%.3f to %.3f) |\n", s.What, s.Median, s.Least, s.Most)
		report.Starts = append(report.Starts, s)
	}

	fmt.Print("\n| live for 20 s, the frames made up by the program itself | % of a processor | peak MB |\n|---|--:|--:|\n")
	for _, speed := range []string{"1", "5"} {
		d, err := startDemo(program, filepath.Join(folder, "live-"+speed+".db"), speed)
		if err != nil {
			return err
		}
		const settle, watched = 5 * time.Second, 20 * time.Second
		time.Sleep(settle)
		before, err1 := d.ran()
		time.Sleep(watched)
		after, err2 := d.ran()
		err = d.end()
		if err := errors.Join(err1, err2, err); err != nil {
			return err
		}
		l := Live{What: "chaffinch demo --speed " + speed, CorePct: 100 * (after - before).Seconds() / watched.Seconds(), PeakMB: d.peakMB()}
		fmt.Printf("| %s | %.2f | %.0f |\n", l.What, l.CorePct, l.PeakMB)
		report.Lives = append(report.Lives, l)
	}
	return nil
}

// demo is the daemon on a make-believe combine, in a process of its own.
type demo struct{ cmd *exec.Cmd }

// startDemo starts it and waits until its page answers.
func startDemo(program, store, speed string) (*demo, error) {
	broker, err := freeAddress()
	if err != nil {
		return nil, err
	}
	page, err := freeAddress()
	if err != nil {
		return nil, err
	}
	d := &demo{exec.Command(program, "demo", "--speed", speed, "--store", store, "--listen", broker, "--page", page)}
	if err := d.cmd.Start(); err != nil {
		return nil, err
	}
	for limit := time.Now().Add(10 * time.Second); time.Now().Before(limit); time.Sleep(time.Millisecond) {
		answer, err := http.Get("http://" + page + "/api/v1/healthz")
		if err != nil {
			continue
		}
		answer.Body.Close()
		if answer.StatusCode == http.StatusOK {
			return d, nil
		}
	}
	d.end()
	return nil, fmt.Errorf("the page of %s does not answer", d.cmd)
}

func (d *demo) end() error {
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		return err
	}
	return d.cmd.Wait()
}

// ran is how long its threads have run: proc(5), schedstat, nanoseconds.
func (d *demo) ran() (time.Duration, error) {
	files, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", d.cmd.Process.Pid))
	if err != nil || len(files) == 0 {
		return 0, fmt.Errorf("%s has ended, or the kernel does not count the time of threads (%v)", d.cmd, err)
	}
	var sum time.Duration
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return 0, err
		}
		ran, _, _ := strings.Cut(string(text), " ")
		n, err := strconv.ParseInt(ran, 10, 64)
		if err != nil {
			return 0, fmt.Errorf("%s: %w", file, err)
		}
		sum += time.Duration(n)
	}
	return sum, nil
}

func (d *demo) peakMB() float64 {
	return float64(d.cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss) / 1e3
}

// freeAddress is one that nobody listens on at this moment.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	return l.Addr().String(), nil
}
