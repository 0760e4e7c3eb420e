package canbus

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/outside"
)

func sprint(v any) string { return fmt.Sprintf("%+v", v) }

// The figures are those of testdata/real/README.md. They were counted with
// two readers that are not ours: the candump reader of Wireshark 4.0 and
// log2asc of can-utils 2020.11.
var realFiles = []struct {
	name               string
	frames             int
	extended, standard int
	seconds            float64 // first to last frame, in event time
	steps              int
	interfaces         string
}{
	{"tractor-start-and-rev.log", 8079, 8079, 0, 30.6, 0, "can0"},
	{"tractor-gears-difflock.log", 14300, 14300, 0, 45.7, 0, "can0"},
	{"tractor-keyon-pause.log", 7651, 7651, 0, 34.2, 0, "can0"},
	{"tractor-ignition-off.log", 41, 41, 0, 24.3, 0, "can0"},
	{"truck-keyon-engine-off.log.gz", 145278, 145278, 0, 316.0, 0, "can0"},
	{"truck-idle-two-channels.log.gz", 57849, 45571, 12278, 127.2, 0, "can0 can1"},
	{"truck-busy-bus-values-not-available.log.gz", 35876, 35876, 0, 25.2, 0, "can0"},
	// The clock steps twice. Last stamp less first stamp is 60.2 s; the forward
	// differences inside the three segments sum to 61.18 s (a one-line awk
	// script over the file says so); each step counts as one second.
	{"boat-n2k-clock-step.log.gz", 49928, 49928, 0, 183.18, 2, "can0"},
	{"boat-n2k-one-minute.log.gz", 47166, 47166, 0, 60.0, 0, "can0"},
}

func TestRealLogs(t *testing.T) {
	for _, want := range realFiles {
		t.Run(want.name, func(t *testing.T) {
			l, err := OpenLogs(realLogs + want.name)
			if err != nil {
				t.Fatal(err)
			}
			frames := readAll(t, l)
			s := l.Stats()
			if len(frames) != want.frames || s.Extended != want.extended || s.Standard != want.standard ||
				s.Bad != 0 || s.Skipped != 0 || s.ErrorFrames != 0 {
				t.Errorf("%+v", s)
			}
			if got := strings.Join(l.Interfaces(), " "); got != want.interfaces {
				t.Errorf("interfaces %q, want %q", got, want.interfaces)
			}
			var line Timeline
			steps := 0
			for i := range frames {
				if line.Place(&frames[i]) != Follows {
					steps++
				}
				if i > 0 && frames[i].At < frames[i-1].At {
					t.Fatalf("frame %d: event time goes back", i+1)
				}
			}
			if got := line.Last().Seconds(); math.Abs(got-want.seconds) > 0.051 || steps != want.steps {
				t.Errorf("%.2f s and %d steps, want %.2f s and %d", got, steps, want.seconds, want.steps)
			}
		})
	}
}

// plainCopy is a log without compression, for tools that want that.
func plainCopy(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Open(realLogs + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(name, ".gz") {
		if r, err = gzip.NewReader(f); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), strings.TrimSuffix(name, ".gz"))
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, r); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// Wireshark reads the same logs: the same ids in the same order.
func TestRealLogsAgainstTshark(t *testing.T) {
	tshark := outside.Tool(t, "tshark")
	for _, file := range realFiles {
		t.Run(file.name, func(t *testing.T) {
			path := plainCopy(t, file.name)
			out := run(t, exec.Command(tshark, "-r", path, "-T", "fields", "-e", "can.id", "-e", "can.len"))
			l, err := OpenLogs(path)
			if err != nil {
				t.Fatal(err)
			}
			frames := readAll(t, l)
			lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
			if len(lines) != len(frames) {
				t.Fatalf("%d frames, tshark has %d", len(frames), len(lines))
			}
			for i, text := range lines {
				fields := strings.Split(text, "\t")
				id, err := strconv.ParseUint(fields[0], 0, 32)
				length, err2 := strconv.Atoi(fields[1])
				if err != nil || err2 != nil || uint32(id) != frames[i].ID || length != int(frames[i].Len) {
					t.Fatalf("frame %d is %08X with %d bytes, tshark says %q", i+1, frames[i].ID, frames[i].Len, text)
				}
			}
		})
	}
}

func run(t testing.TB, c *exec.Cmd) []byte {
	t.Helper()
	var stderr bytes.Buffer
	c.Stderr = &stderr
	c.Env = append(os.Environ(), "TZ=UTC", "LC_ALL=C")
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v: %v\n%s", c.Args, err, stderr.String())
	}
	return out
}

// log2asc of can-utils turns our logs into the asc form. What we read from
// that must be what we read from the log. (Not for logs that begin at second
// zero: log2asc takes that for "not begun" and sets all times in it to zero.)
func TestASCAgainstLog2asc(t *testing.T) {
	log2asc := outside.Tool(t, "log2asc")
	for _, name := range []string{"boat-n2k-one-minute.log.gz", "truck-idle-two-channels.log.gz", "truck-busy-bus-values-not-available.log.gz"} {
		for _, flags := range [][]string{nil, {"-f"}, {"-n"}} {
			t.Run(name+strings.Join(flags, ""), func(t *testing.T) {
				path := plainCopy(t, name)
				l, err := OpenLogs(path)
				if err != nil {
					t.Fatal(err)
				}
				want := readAll(t, l)
				names := l.Interfaces()
				asc := run(t, exec.Command(log2asc, append(append([]string{"-I", path}, flags...), names...)...))
				a := NewLogReader("asc", bytes.NewReader(asc))
				got := readAll(t, a)
				if s := a.Stats(); len(got) != len(want) || s.Bad > 0 {
					t.Fatalf("%d frames, want %d; %v", len(got), len(want), s.FirstBad)
				}
				// The asc form counts from the whole second of its date.
				shift := got[0].Stamp - want[0].Stamp
				if shift%1e9 != -want[0].Stamp%1e9 && shift != 0 {
					t.Errorf("the first frame is %v away", time.Duration(shift))
				}
				for i := range got {
					got[i].Stamp -= shift
					got[i].Interface, want[i].Interface = 0, 0
					if got[i] != want[i] {
						t.Fatalf("frame %d\n got %+v\nwant %+v", i+1, got[i], want[i])
					}
				}
			})
		}
	}
}

// log2asc counts the same frames in every log.
func TestRealLogsAgainstLog2asc(t *testing.T) {
	log2asc := outside.Tool(t, "log2asc")
	for _, file := range realFiles {
		names := strings.Fields(file.interfaces)
		out := run(t, exec.Command(log2asc, append([]string{"-I", plainCopy(t, file.name)}, names...)...))
		if got := bytes.Count(out, []byte(" Rx ")); got != file.frames {
			t.Errorf("%s: log2asc has %d frames, we have %d", file.name, got, file.frames)
		}
	}
}

// asc2log of can-utils reads back what log2asc made. Our reading of its log and
// of the asc file must be the same.
func TestASCAgainstAsc2log(t *testing.T) {
	log2asc, asc2log := outside.Tool(t, "log2asc"), outside.Tool(t, "asc2log")
	dir := t.TempDir()
	path := filepath.Join(dir, "in.log")
	err := os.WriteFile(path, []byte(`(1700000000.123456) can0 0CF00400#207D87481400F087
(1700000000.223456) can0 20000080#0000000000000000
(1700000000.723456) can1 18FEF100#R8
(1700000000.733456) can1 123#R
(1700000000.823456) can0 18FEF100##1FF000AFFFFFFFFFF
(1700000000.923456) can1 123#1122
(1700000000.933456) can1 00000123#
(1700000000.943456) can0 123#1122334455667788
`), 0o644)
	if err != nil {
		t.Fatal(err)
	}
	asc := filepath.Join(dir, "x.asc")
	if err := os.WriteFile(asc, run(t, exec.Command(log2asc, "-I", path, "can0", "can1")), 0o644); err != nil {
		t.Fatal(err)
	}
	theirs := NewLogReader("asc2log", bytes.NewReader(run(t, exec.Command(asc2log, "-I", asc))))
	ours, err := OpenLogs(asc)
	if err != nil {
		t.Fatal(err)
	}
	want, got := readAll(t, theirs), readAll(t, ours)
	if len(want) != 8 || len(got) != 8 {
		t.Fatalf("%d and %d frames; %v; %v", len(want), len(got), theirs.Stats().FirstBad, ours.Stats().FirstBad)
	}
	if sprint(theirs.Interfaces()) != sprint(ours.Interfaces()) {
		t.Errorf("interfaces %v and %v", theirs.Interfaces(), ours.Interfaces())
	}
	// asc2log cannot read the date in every locale; compare the distances.
	for i := range got {
		got[i].Stamp -= got[0].Stamp * min(int64(i), 1)
		want[i].Stamp -= want[0].Stamp * min(int64(i), 1)
	}
	got[0].Stamp, want[0].Stamp = 0, 0
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("frame %d\n got %+v\nwant %+v", i+1, got[i], want[i])
		}
	}
}

// log2long of can-utils writes the screen form with times.
func TestScreenFormAgainstLog2long(t *testing.T) {
	log2long := outside.Tool(t, "log2long")
	path := plainCopy(t, "truck-idle-two-channels.log.gz")
	in, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	c := exec.Command(log2long)
	c.Stdin = bufio.NewReader(in)
	screen := NewLogReader("screen", bytes.NewReader(run(t, c)))
	l, err := OpenLogs(path)
	if err != nil {
		t.Fatal(err)
	}
	got, want := readAll(t, screen), readAll(t, l)
	if len(got) != len(want) {
		t.Fatalf("%d frames, want %d; %v", len(got), len(want), screen.Stats().FirstBad)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("frame %d\n got %+v\nwant %+v", i+1, got[i], want[i])
		}
	}
}
