package faults

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/config"
	"chaffinch/internal/daemon"
	"chaffinch/internal/outside"
	"chaffinch/store"
)

// program is the built program: the daemon checks and mends its store by it, in a
// child process.
var program string

func TestMain(m *testing.M) {
	os.Exit(func() int {
		folder, err := os.MkdirTemp("", "chaffinch-faults-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(folder)
		if program, err = outside.Program(folder); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		return m.Run()
	}())
}

// harvest is the make-believe half an hour that all runs share. It has trouble of
// every priority.
func harvest() virtual.Scenario {
	s := virtual.DemoFor(0.5)
	s.Start = origin.Format(time.RFC3339)
	return s
}

var origin = time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)

// seen is a phase of an event that was published, and how late: the real time
// since the frame that was its cause was due.
type seen struct {
	id, what string
	kind     string
	priority detect.Priority
	phase    detect.Phase
	late     time.Duration
}

// rig is a daemon in this process.
type rig struct {
	t      *testing.T
	speed  float64
	cfg    *config.Config
	source daemon.Source
	status string

	mu   sync.Mutex
	told []seen
	log  bytes.Buffer

	stop context.CancelFunc
	over chan error
}

func (r *rig) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.log.Write(b)
}

func newRig(t *testing.T, scenario virtual.Scenario, speed float64) *rig {
	t.Helper()
	folder := t.TempDir()
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	cfg.Store.Path = filepath.Join(folder, "store.db")
	cfg.MQTT.Listen = outside.FreePort(t)
	cfg.Phone.Listen = ""
	return &rig{t: t, speed: speed, cfg: cfg, status: filepath.Join(folder, "status.json"), over: make(chan error, 1),
		source: daemon.NewPretend(virtual.New(scenario, 1), origin, speed, daemon.Clock{})}
}

// start starts it.
func (r *rig) start() {
	r.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	r.stop = stop
	r.t.Cleanup(stop)
	go func() {
		r.over <- daemon.Run(ctx, daemon.Options{Config: r.cfg, Source: r.source, SelfExe: program, StatusFile: r.status,
			Log: slog.New(slog.NewTextHandler(r, nil)), Told: r.tell})
	}()
}

func (r *rig) tell(e *detect.Event) {
	at := e.Raised
	if e.Phase == detect.Ended {
		at = e.Ended
	}
	passed := time.Duration(r.source.Stamp() - origin.UnixNano())
	r.mu.Lock()
	defer r.mu.Unlock()
	r.told = append(r.told, seen{
		id: fmt.Sprintf("%d %s", e.Number, e.Phase), kind: e.Kind, priority: e.Priority, phase: e.Phase,
		what: fmt.Sprintf("%s %s %s, %v to %v", e.Kind, e.Subject, e.Phase, e.Began, e.Raised),
		late: time.Duration(float64(passed-time.Duration(at)) / r.speed),
	})
}

// ended waits for the end of the make-believe day.
func (r *rig) ended() {
	r.t.Helper()
	select {
	case err := <-r.over:
		if err != nil {
			r.t.Errorf("the daemon ended with %v", err)
		}
	case <-time.After(5 * time.Minute):
		r.t.Fatalf("the daemon does not end:\n%s", r.logged())
	}
}

func (r *rig) logged() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.log.String()
}

// all is what was published so far, but for what the program says of itself.
func (r *rig) all() (machine, own []seen) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.told {
		if s.kind == "not-recording" || s.kind == "clock-unsure" {
			own = append(own, s)
		} else {
			machine = append(machine, s)
		}
	}
	return machine, own
}

// until waits for something that has to come.
func (r *rig) until(what string, so func() bool) {
	r.t.Helper()
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if so() {
			return
		}
		if len(r.over) > 0 {
			r.t.Fatalf("the day was over before %s:\n%s", what, r.logged())
		}
	}
	r.t.Fatalf("not within a minute: %s\n%s", what, r.logged())
}

// reports waits until the status file says what it should.
func (r *rig) reports(what string, want func(s *daemon.Status) bool) {
	r.t.Helper()
	r.until(what, func() bool {
		s, _, err := daemon.ReadStatus(r.status)
		return err == nil && want(s)
	})
}

func whats(list []seen) string {
	var b strings.Builder
	for _, s := range list {
		fmt.Fprintln(&b, s.what)
	}
	return b.String()
}

// reference is what is told of the harvest when nothing goes wrong.
func reference(t *testing.T) string {
	t.Helper()
	calm.Do(func() {
		r := newRig(t, harvest(), 2000)
		r.start()
		r.ended()
		machine, own := r.all()
		if len(machine) < 20 || len(own) > 0 {
			t.Errorf("a harvest with %d phases of alarms, and %d of the program", len(machine), len(own))
		}
		r.nothingLost()
		calmTold = whats(machine)
	})
	return calmTold
}

var (
	calm     sync.Once
	calmTold string
)

// nothingLost holds what was published to the store: all of it is there, in order.
func (r *rig) nothingLost() {
	r.t.Helper()
	if err := store.CheckFile(r.cfg.Store.Path); err != nil {
		r.t.Errorf("the store is not whole: %v", err)
	}
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		r.t.Fatal(err)
	}
	defer s.Close()
	var got, want []string
	for rec, err := range s.All(store.Event, store.Key{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		_, number, _ := strings.Cut(rec.ID, "-")
		got = append(got, number+" "+rec.Phase.String())
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, s := range r.told {
		want = append(want, s.id)
	}
	if g, w := strings.Join(got, ", "), strings.Join(want, ", "); g != w {
		r.t.Errorf("stored %s\ntold   %s", g, w)
	}
}
