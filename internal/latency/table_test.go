package latency

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/daemon"
	"chaffinch/internal/outside"
	"chaffinch/publish/phone"
	"chaffinch/store"
)

var alerts = flag.Int("alerts", 10, "alerts a row of the table")

// TestMain lets the test binary be the child that checks the store.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == "check-store" {
		os.Exit(store.CheckCommand(os.Stdout, os.Args[2]))
	}
	flag.Parse()
	os.Exit(m.Run())
}

// condition is a row of the table: what else goes on.
type condition struct {
	name           string
	perS           int // frames on the bus
	pages, readers int // phones that look on by the page and by MQTT, with those that are timed
}

// The program takes 16 pages and 16 clients of MQTT at a time.
var conditions = []condition{
	{"a bus of 400 frames a second, one phone", 400, 2, 1},
	{"2,000 frames a second, 20 phones: 16 pages, 4 by MQTT", 2000, 16, 4},
}

// The promise is p99 below 50 ms to the message, over the loopback. A machine that
// others use as well is allowed five times that here, and that is asked of the
// median where there are too few alerts for a p99; what was measured is printed.
const bar = 5 * 50 * time.Millisecond

func TestTable(t *testing.T) {
	n := *alerts
	if testing.Short() {
		n = min(n, 5)
	}
	t.Logf("measured on %s", computer(t.TempDir()))
	for _, c := range conditions {
		t.Run(c.name, func(t *testing.T) {
			for _, r := range measure(t, c, n) {
				slices.Sort(r.took)
				if len(r.took) < n*9/10 {
					t.Errorf("%s: %d of %d alerts came", r.name, len(r.took), n)
					continue
				}
				p50, p99 := r.took[len(r.took)/2], r.took[(len(r.took)*99+99)/100-1]
				t.Logf("%-34s p50 %5.1f ms  p99 %5.1f ms  most %5.1f ms  of %d", r.name, ms(p50), ms(p99), ms(r.took[len(r.took)-1]), len(r.took))
				if r.took[0] < 0 || p50 > bar || n >= 100 && p99 > bar {
					t.Errorf("%s: from %v, p50 %v, p99 %v: %v is allowed", r.name, r.took[0], p50, p99, bar)
				}
			}
		})
	}
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

type result struct {
	name string
	took []time.Duration
}

// measure runs a daemon with those who look on, and times n alerts.
func measure(t *testing.T, c condition, n int) []result {
	report := 130 * time.Millisecond
	if n > 50 {
		// A minute has room for 64 codes that are told apart (detect), so they
		// come less often.
		report = 260 * time.Millisecond
	}
	folder := t.TempDir()
	scenario := virtual.Demo()
	origin := time.Now().Truncate(time.Second)
	scenario.Start = origin.UTC().Format(time.RFC3339)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	cfg.Store.Path, cfg.MQTT.Listen, cfg.Phone.Listen = filepath.Join(folder, "store.db"), outside.FreePort(t), outside.FreePort(t)
	b, err := newBus(cfg, scenario, origin, c.perS, n, report)
	if err != nil {
		t.Fatal(err)
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	codes := make(chan phone.Code, 100)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	var log bytes.Buffer // read when the daemon has ended
	go func() {
		ended <- daemon.Run(ctx, daemon.Options{Config: cfg, Source: b, SelfExe: exe, Version: "measured",
			Log: slog.New(slog.NewTextHandler(&log, nil)), ShowCode: func(c phone.Code) { codes <- c }})
	}()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("%v\n%s", err, &log)
		}
	})
	var first phone.Code
	select {
	case first = <-codes:
	case <-time.After(20 * time.Second):
		t.Fatal("the page does not start")
	}

	byMQTT, byStream, others := newSeen(), newSeen(), newSeen()
	d := pair(t, cfg.Phone.Listen, first.Digits)
	d.stream(byStream)
	subscribe(t, cfg.MQTT.Listen, "timed", byMQTT)
	for i := 1; i < c.readers; i++ {
		subscribe(t, cfg.MQTT.Listen, fmt.Sprint("reader-", i), others)
	}
	var s *screen
	if !testing.Short() {
		s = openPage(t, cfg.Phone.Listen, d.code())
	}
	for i := 2; i < c.pages; i++ {
		pair(t, cfg.Phone.Listen, d.code()).stream(others)
	}

	from, _ := b.count()
	began := time.Now()
	b.begin()
	for end := began.Add(time.Duration(n+4)*4*report + 10*time.Second); byMQTT.count() < n || byStream.count() < n; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			break // the table says how many came
		}
	}
	time.Sleep(300 * time.Millisecond) // to be painted
	frames, raised := b.count()
	if raised != n {
		t.Errorf("%d alerts were raised, not %d", raised, n)
	}
	if rate := float64(frames-from) / time.Since(began).Seconds(); rate < 0.9*float64(c.perS) {
		t.Errorf("the bus carried %.0f frames a second, not %d", rate, c.perS)
	}
	all := []result{{"to an MQTT subscriber", b.took(byMQTT)}, {"to a client of the page's stream", b.took(byStream)}}
	if s == nil {
		t.Log("NOT CHECKED: the page in a browser takes longer than a short run may")
		return all
	}
	return append(all, result{"to paint on the page, in Chromium", b.took(s.painted())})
}

func (b *bus) took(s *seen) (all []time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for subject, at := range s.at {
		if from, ok := b.when(subject); ok {
			all = append(all, at.Sub(from))
		}
	}
	return all
}

// computer says what it is measured on: processor, cores, Go, where the store is,
// and how busy the machine is.
func computer(folder string) string {
	model := "unknown processor"
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	load, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		load = []byte("unknown")
	}
	disk := "unknown file system"
	var fs syscall.Statfs_t
	if syscall.Statfs(folder, &fs) == nil {
		disk = fmt.Sprintf("file system %#x", fs.Type)
		switch fs.Type { // statfs(2)
		case 0xEF53:
			disk = "ext4"
		case 0x01021994:
			disk = "tmpfs, which is no disk"
		}
	}
	return fmt.Sprintf("%s, %d cores, %s, store on %s where 4 KiB and fsync take %.1f ms (median), load %s",
		model, runtime.NumCPU(), runtime.Version(), disk, ms(syncTime(folder)), strings.Fields(string(load))[0])
}

// syncTime is the median time to write 4 KiB through to the disk, or 0 where
// that fails.
func syncTime(folder string) time.Duration {
	f, err := os.Create(filepath.Join(folder, "sync"))
	if err != nil {
		return 0
	}
	defer f.Close()
	var took []time.Duration
	for range 41 {
		began := time.Now()
		if _, err := f.Write(make([]byte, 4096)); err != nil || f.Sync() != nil {
			return 0
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	return took[len(took)/2]
}
