package faults

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/daemon"
	"chaffinch/internal/outside"
)

// hours is the length of the soak: CHAFFINCH_HOURS, or one.
func hours(t *testing.T) float64 {
	t.Helper()
	text := os.Getenv("CHAFFINCH_HOURS")
	if text == "" {
		return 1
	}
	h, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// implement is what else is on a full bus: messages of other nodes that nobody here
// wants, at the usual identifiers of ISO 11783 and NMEA 2000.
func implement(random *rand.Rand, f *canbus.Frame) {
	fill(random, f)
	f.Flags = canbus.Extended
	group := []uint32{0xE600, 0xE700, 0xAC00, 0xFFA0, 0xFF21, 0x1F805, 0x1FD08, 0xFE0F}[random.Uint32N(8)]
	f.ID = 6<<26 | group<<8 | stranger(random)
}

// written is what this process has handed to the kernel (proc(5), wchar).
func written(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := bytes.Cut(b, []byte("wchar: "))
	n, _ := strconv.ParseInt(strings.Fields(string(rest))[0], 10, 64)
	return n
}

// Promise: memory and card are bounded over a long shift with the bus full, and
// nothing leaks. A subscriber of another make listens all the time.
//
//	CHAFFINCH_HOURS=12 go test ./internal/faults -run ALongShift -v -timeout 30m
func TestALongShiftOnAFullBus(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays an hour")
	}
	subscribe := outside.Tool(t, "mosquitto_sub")
	long := hours(t)
	scenario := virtual.Random(5, long)
	scenario.Start = origin.Format(time.RFC3339)
	r := newRig(t, scenario, 4000)
	source := &crowded{Pretend: r.source.(*daemon.Pretend), random: rand.New(rand.NewPCG(1, 2)), talk: implement, each: 4}
	r.source = source
	bytesBefore := written(t)
	r.start()
	r.reports("it is recording", func(s *daemon.Status) bool { return s.Store.Recording })
	host, port, _ := strings.Cut(r.cfg.MQTT.Listen, ":")
	subscriber := exec.Command(subscribe, "-h", host, "-p", port, "-q", "1", "-t", "chaffinch/v1/#")
	if err := subscriber.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { subscriber.Process.Kill(); subscriber.Wait() }()

	type look struct {
		at         time.Duration // into the shift
		heap       int64
		goroutines int
	}
	var looks []look
	whole := time.Duration(long * float64(time.Hour))
	began := time.Now()
	for n := 1; len(r.over) == 0 && n < 20; {
		at := source.at()
		if at < whole*time.Duration(n)/20 {
			time.Sleep(20 * time.Millisecond)
			continue
		}
		n++
		looks = append(looks, look{at, heap(), runtime.NumGoroutine()})
	}
	r.ended()
	took := time.Since(began)
	if len(looks) < 10 {
		t.Fatalf("only %d looks at the memory", len(looks))
	}
	for _, l := range looks {
		t.Logf("%6.2f h: heap %.2f MB, %d goroutines", l.at.Hours(), float64(l.heap)/1e6, l.goroutines)
	}
	early, late := looks[len(looks)/5], looks[len(looks)-1]
	if late.heap > early.heap+3e6 {
		t.Errorf("the heap went from %.2f to %.2f MB", float64(early.heap)/1e6, float64(late.heap)/1e6)
	}
	if late.goroutines > early.goroutines+3 {
		t.Errorf("goroutines went from %d to %d", early.goroutines, late.goroutines)
	}
	info, err := os.Stat(r.cfg.Store.Path)
	if err != nil {
		t.Fatal(err)
	}
	card := written(t) - bytesBefore
	frames := float64(source.frames) * 5 / 4
	t.Logf("%.1f h, %.1f million frames (%.0f a second of the shift) in %.0f s; written by the process, sockets and log included: %.1f MB; store %.2f MB; peak resident %.0f MB, tests included",
		long, frames/1e6, frames/whole.Seconds(), took.Seconds(), float64(card)/1e6, float64(info.Size())/1e6, peak(t))
	r.nothingLost()
}

// at is how far into the shift the last frame was.
func (c *crowded) at() time.Duration { return time.Duration(c.last.Load() - origin.UnixNano()) }

// peak is the most memory that was resident, MB.
func peak(t *testing.T) float64 {
	t.Helper()
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		t.Fatal(err)
	}
	return float64(use.Maxrss) / 1e3
}

// Promise: it goes on with little memory. The built program may take no more than
// 128 MB of address space for data (setrlimit(2), RLIMIT_DATA; Go takes 64 at a
// time), and its collector is told to keep to 20 MB, which it needs a good part of.
func TestItGoesOnWithLittleMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes 20 s")
	}
	limit := outside.Tool(t, "prlimit")
	folder := t.TempDir()
	cmd := exec.Command(limit, "--data=134217728", program, "demo", "--speed", "120", "--hours", "0.5", "--listen", outside.FreePort(t), "--page", "", "--store", filepath.Join(folder, "store.db"))
	cmd.Env = append(os.Environ(), "GOMEMLIMIT=20MiB", "TMPDIR="+folder)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if n := bytes.Count(out, []byte("\n")); n < 20 {
		t.Errorf("only %d lines were told:\n%s", n, out)
	}
	use := cmd.ProcessState.SysUsage().(*syscall.Rusage)
	t.Logf("peak resident %.0f MB, %.1f s of CPU", float64(use.Maxrss)/1e3, cmd.ProcessState.UserTime().Seconds()+cmd.ProcessState.SystemTime().Seconds())
}
