package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/outside"
)

// Promise: a frame costs no more than it did. The count is of instructions, by
// valgrind's callgrind, which is the same within a tenth of a percent however busy
// the machine is; clocks are not. It is the difference between a longer and a
// shorter log, so that starting up is not in it. A change that makes something
// dearer on purpose raises the bar here and says why.
// The library's own parser in a plain loop is there for scale.
func TestInstructionsForAFrame(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes a minute")
	}
	valgrind := outside.Tool(t, "valgrind")
	folder := t.TempDir()
	self := filepath.Join(folder, "speed")
	build := exec.Command("go", "build", "-o", self, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	s := virtual.Random(7, 0.5)
	settings := filepath.Join(folder, "day.toml")
	if err := os.WriteFile(settings, []byte(virtual.ConfigText(s)), 0o600); err != nil {
		t.Fatal(err)
	}
	const fewer, more = 100_000, 300_000
	frames := make([]canbus.Frame, 0, more)
	for f := range virtual.New(s, 7).Frames() {
		if frames = append(frames, *f); len(frames) == more {
			break
		}
	}
	if len(frames) < more {
		t.Fatalf("only %d frames", len(frames))
	}
	write := func(name string, n int) string {
		path := filepath.Join(folder, name)
		file, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer file.Close()
		if err := canbus.NewLogWriter(file, []string{"can0"}).Write(frames[:n]); err != nil {
			t.Fatal(err)
		}
		return path
	}
	short, long := write("short.log", fewer), write("long.log", more)
	for _, c := range []struct {
		stage string
		most  float64
	}{
		{"library", 2200},
		{"parse", 640},
		{"decode", 990},
		{"memory", 2150}, // to the alarms; with the parsing and the holding in memory
	} {
		t.Run(c.stage, func(t *testing.T) {
			count := func(log string) float64 {
				cmd := exec.Command(valgrind, "--tool=callgrind", "--callgrind-out-file=/dev/null", self, "-stage", c.stage, "-config", settings, log)
				cmd.Env = append(os.Environ(), "GOMAXPROCS=1", "GOGC=off", "GODEBUG=asyncpreemptoff=1")
				out, err := cmd.CombinedOutput()
				found := collected.FindSubmatch(out)
				if err != nil || found == nil {
					t.Fatalf("%v\n%s", err, out)
				}
				n, _ := strconv.ParseFloat(string(found[1]), 64)
				return n
			}
			each := (count(long) - count(short)) / (more - fewer)
			t.Logf("%.0f instructions for a frame", each)
			if each > c.most || each < c.most/2 {
				t.Errorf("%.0f instructions for a frame, of at most %.0f: if that is as it should be, say why here", each, c.most)
			}
		})
	}
}

var collected = regexp.MustCompile(`Collected : (\d+)`)
