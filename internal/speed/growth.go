package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"
	"time"

	"chaffinch/canbus/virtual"
)

// grow replays longer and longer make-believe shifts that come by a pipe: twice
// the log has to take twice the time and the same memory.
func grow(program, folder string, report *Report) error {
	const seed = 5
	fmt.Printf("\n| hours | million frames | CPU s | CPU s for a million frames | peak MB |\n|--:|--:|--:|--:|--:|\n")
	for _, hours := range []float64{2, 4, 8, 16, 32, 72} {
		text := strconv.FormatFloat(hours, 'g', -1, 64)
		settings := filepath.Join(folder, "long.toml")
		if err := os.WriteFile(settings, []byte(virtual.ConfigText(virtual.Random(seed, hours))), 0o600); err != nil {
			return err
		}
		simulate := exec.Command(program, "simulate", "--seed", strconv.Itoa(seed), "--hours", text, "--out", "-", "--truth", filepath.Join(folder, "truth.json"))
		replay := exec.Command(program, "replay", "--config", settings, "--events", filepath.Join(folder, "events.jsonl"), "-")
		pipe, err := simulate.StdoutPipe()
		if err != nil {
			return err
		}
		var said bytes.Buffer
		replay.Stdin, replay.Stderr = pipe, &said
		began := time.Now()
		if err := errors.Join(simulate.Start(), replay.Run(), simulate.Wait()); err != nil {
			return fmt.Errorf("%w\n%s", err, said.Bytes())
		}
		found := framesSaid.FindSubmatch(said.Bytes())
		if found == nil {
			return fmt.Errorf("replay does not say how many frames there were:\n%s", said.Bytes())
		}
		frames, _ := strconv.Atoi(string(found[1]))
		use := replay.ProcessState.SysUsage().(*syscall.Rusage)
		cpu := replay.ProcessState.UserTime() + replay.ProcessState.SystemTime()
		r := Row{Log: "make-believe, " + text + " h", What: "chaffinch replay", Frames: frames, Cores: 2, Runs: 1,
			CPU: cpu.Seconds() / float64(frames) * 1e6, WallRate: float64(frames) / 1e6 / time.Since(began).Seconds(), PeakMB: float64(use.Maxrss) / 1e3}
		fmt.Printf("| %g | %.1f | %.1f | %.3f | %.0f |\n", hours, float64(frames)/1e6, cpu.Seconds(), r.CPU, r.PeakMB)
		report.Rows = append(report.Rows, r)
	}
	return nil
}

var framesSaid = regexp.MustCompile(`(\d+) frames, `)
