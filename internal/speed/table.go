package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"
)

// Report is what was measured, for other programs.
type Report struct {
	Machine  string  `json:"machine"`
	BinaryMB float64 `json:"binary_mb"`
	Rows     []Row   `json:"rows"`
	Starts   []Start `json:"starts,omitempty"`
	Lives    []Live  `json:"lives,omitempty"`
}

// Row is what one way of reading a log takes.
type Row struct {
	Log    string `json:"log"`
	What   string `json:"what"`
	Frames int    `json:"frames"`
	Cores  int    `json:"cores"`
	// CPU seconds for a million frames: median, least and most of the runs.
	CPU      float64 `json:"cpu_s_per_million"`
	CPULeast float64 `json:"cpu_least"`
	CPUMost  float64 `json:"cpu_most"`
	// WallRate is millions of frames in a second by the clock, median.
	WallRate float64 `json:"million_frames_per_s_by_the_clock"`
	PeakMB   float64 `json:"peak_mb"` // resident, most of the runs
	Runs     int     `json:"runs"`
}

// contender is one row of the table.
type contender struct {
	what    string
	command []string
	cores   int
	inside  bool // the command tells its own time: without the reading of the log
}

// usage is what one run took.
type usage struct {
	cpu, wall time.Duration
	peakKB    int64
}

// once runs a command on as many processors as it may have.
func (c *contender) once(frames int) (u usage, err error) {
	args := c.command
	if c.cores == 1 {
		args = append([]string{"taskset", "-c", "0"}, args...)
	}
	cmd := exec.Command(args[0], args[1:]...)
	var out, said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &said
	if !c.inside {
		cmd.Stdout = nil
	}
	began := time.Now()
	if err := cmd.Run(); err != nil {
		return u, fmt.Errorf("%s: %w\n%s", c.what, err, said.Bytes())
	}
	u.wall = time.Since(began)
	use := cmd.ProcessState.SysUsage().(*syscall.Rusage)
	u.cpu, u.peakKB = cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime(), int64(use.Maxrss)
	if c.inside {
		var n int
		var seconds float64
		if _, err := fmt.Fscanf(&out, "%d frames %f s", &n, &seconds); err != nil || n != frames {
			return u, fmt.Errorf("%s: of %d frames it told of %d (%v)", c.what, frames, n, err)
		}
		u.cpu = time.Duration(seconds * float64(time.Second))
		u.wall = u.cpu
	}
	return u, nil
}

// compare runs everything on a make-believe log and on the real recordings.
func compare(program, folder string, hours float64, runs int, report *Report) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	day, settings := filepath.Join(folder, "day.log"), filepath.Join(folder, "day.toml")
	simulate := []string{program, "simulate", "--seed", "7", "--hours", strconv.FormatFloat(hours, 'g', -1, 64),
		"--truth", filepath.Join(folder, "truth.json"), "--config", settings, "--out"}
	if err := command(append(simulate, day)...); err != nil {
		return err
	}
	recorded := filepath.Join(folder, "recorded.log")
	if err := concatenate(recorded); err != nil {
		return err
	}
	for _, log := range []struct{ name, path, settings string }{
		{fmt.Sprintf("make-believe, %g h", hours), day, settings},
		{"real recordings, one after another", recorded, ""},
	} {
		frames, err := lines(log.path)
		if err != nil {
			return err
		}
		stage := func(name string) []string {
			return []string{self, "-stage", name, "-config", log.settings, log.path}
		}
		replay := []string{program, "replay", "--quiet", "--events", filepath.Join(folder, "events.jsonl"), log.path}
		if log.settings != "" {
			replay = append(replay, "--config", log.settings)
		}
		list := []contender{
			{"wc -l (counts lines, nothing else)", []string{"wc", "-l", log.path}, 1, false},
			{"the CAN library's own parser in a plain loop", stage("library"), 1, false},
			{"log2asc (can-utils), to another text form", []string{"log2asc", "-I", log.path, "-O", "/dev/null", "can0", "can1", "can2", "can3", "vcan0"}, 1, false},
			{"tshark, dissecting each frame", []string{"tshark", "-q", "-z", "io,stat,0", "-r", log.path}, 1, false},
			{"chaffinch: parse only", stage("parse"), 1, false},
			{"chaffinch: parse and decode", stage("decode"), 1, false},
			{"chaffinch replay: all, to the alarms", replay, 1, false},
			{"chaffinch replay, on two processors", replay, 2, false},
			{"chaffinch: memory to the alarms, without reading", stage("memory"), 1, true},
		}
		if log.settings != "" {
			six, err := readings(log.settings, log.path)
			if err != nil {
				return err
			}
			list = append(list,
				contender{"chaffinch find: the rotor's speed, by six readings", append([]string{program, "find", "rotor_speed_rpm", "--log", log.path}, six...), 1, false},
				contender{"chaffinch simulate: making these frames up", append(simulate, "/dev/null"), 1, false})
		}
		fmt.Printf("\n%s: %d frames, %d runs in turn\n\n", log.name, frames, runs)
		rows, err := race(list, frames, runs)
		if err != nil {
			return err
		}
		show(rows)
		for i := range rows {
			rows[i].Log = log.name
		}
		report.Rows = append(report.Rows, rows...)
	}
	return nil
}

// race runs all in turn, so that a machine that slows down does so for each.
func race(list []contender, frames, runs int) ([]Row, error) {
	list = slices.DeleteFunc(list, func(c contender) bool {
		_, err := exec.LookPath(c.command[0])
		if err != nil {
			fmt.Printf("NOT MEASURED: %s: %v\n", c.what, err)
		}
		return err != nil
	})
	took := make([][]usage, len(list))
	for n := range runs + 1 { // the first one warms the machine
		for i := range list {
			u, err := list[i].once(frames)
			if err != nil {
				return nil, err
			}
			if n > 0 {
				took[i] = append(took[i], u)
			}
		}
	}
	var rows []Row
	million := float64(frames) / 1e6
	for i, c := range list {
		r := Row{What: c.what, Frames: frames, Cores: c.cores, Runs: runs}
		slices.SortFunc(took[i], func(a, b usage) int { return cmp.Compare(a.cpu, b.cpu) })
		r.CPULeast, r.CPU, r.CPUMost = took[i][0].cpu.Seconds()/million, took[i][runs/2].cpu.Seconds()/million, took[i][runs-1].cpu.Seconds()/million
		slices.SortFunc(took[i], func(a, b usage) int { return cmp.Compare(a.wall, b.wall) })
		r.WallRate = million / took[i][runs/2].wall.Seconds()
		for _, u := range took[i] {
			r.PeakMB = max(r.PeakMB, float64(u.peakKB)/1e3)
		}
		rows = append(rows, r)
	}
	return rows, nil
}

func show(rows []Row) {
	fmt.Println("| | CPU s for a million frames (least to most) | million frames/s: by CPU | by the clock | peak MB |")
	fmt.Println("|---|--:|--:|--:|--:|")
	for _, r := range rows {
		fmt.Printf("| %s | %.3f (%.3f to %.3f) | %.2f | %.2f | %.0f |\n", r.What, r.CPU, r.CPULeast, r.CPUMost, 1/r.CPU, r.WallRate, r.PeakMB)
	}
}

func command(words ...string) error {
	if said, err := exec.Command(words[0], words[1:]...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w\n%s", words[0], words[1], err, said)
	}
	return nil
}

// concatenate unpacks the real recordings into one log, often enough for a second
// or so of work.
func concatenate(to string) error {
	list, err := filepath.Glob("testdata/real/can/*.log.gz")
	if err != nil || len(list) == 0 {
		return fmt.Errorf("there are no recordings in testdata/real/can: run it at the top of the repository (%v)", err)
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	defer out.Close()
	for size := int64(0); size < 60e6; {
		for _, path := range list {
			n, err := unpack(out, path)
			if err != nil {
				return err
			}
			size += n
		}
	}
	return out.Close()
}

func unpack(to io.Writer, path string) (int64, error) {
	file, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	text, err := gzip.NewReader(file)
	if err != nil {
		return 0, err
	}
	return io.Copy(to, text)
}

func lines(path string) (int, error) {
	file, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	n, buffer := 0, make([]byte, 1<<20)
	for {
		k, err := file.Read(buffer)
		n += bytes.Count(buffer[:k], []byte("\n"))
		if err == io.EOF {
			return n, nil
		}
		if err != nil {
			return 0, err
		}
	}
}
