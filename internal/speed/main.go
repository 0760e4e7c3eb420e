// Command speed measures how fast the program is, beside what others do with the
// same log, and prints a table:
//
//	go run ./internal/speed                   # two and a half minutes
//	go run ./internal/speed --runs 3 --hours 0.5
//	go run ./internal/speed --growth          # up to a hundred million frames
//
// Each row is a process of its own, run several times in turn with the others;
// time and memory are the operating system's own count for that process. What a
// row does more than reading the log stands beside it. On a busy machine look at
// the CPU time, not at the clock.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "speed:", err)
		os.Exit(1)
	}
}

func run() error {
	stage := flag.String("stage", "", "for the command itself: what to do with the log that is named")
	settings := flag.String("config", "", "for the command itself: the configuration")
	runs := flag.Int("runs", 5, "times that each row is run")
	hours := flag.Float64("hours", 1, "length of the make-believe log")
	growth := flag.Bool("growth", false, "how time and memory grow with the length of the log, instead")
	out := flag.String("json", "", "also write the figures there")
	flag.Parse()
	if *stage != "" {
		return perform(*stage, *settings, flag.Arg(0))
	}
	folder, err := os.MkdirTemp("", "chaffinch-speed-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	program := filepath.Join(folder, "chaffinch")
	build := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", program, "chaffinch/cmd/chaffinch")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("build the program: %w\n%s", err, said)
	}
	report := Report{Machine: computer()}
	if info, err := os.Stat(program); err == nil {
		report.BinaryMB = float64(info.Size()) / 1e6
	}
	fmt.Printf("%s; binary %.1f MB, stripped, without cgo\n", report.Machine, report.BinaryMB)
	if *growth {
		err = grow(program, folder, &report)
	} else {
		err = errors.Join(compare(program, folder, *hours, *runs, &report), daemons(program, folder, *runs, &report))
	}
	if err != nil {
		return err
	}
	if *out == "" {
		return nil
	}
	b, err := json.MarshalIndent(&report, "", "\t")
	if err != nil {
		return err
	}
	return os.WriteFile(*out, append(b, '\n'), 0o644)
}

// computer describes where it runs.
func computer() string {
	model := runtime.GOARCH
	if b, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(b)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	return fmt.Sprintf("%s, %d processors, %s", model, runtime.NumCPU(), runtime.Version())
}
