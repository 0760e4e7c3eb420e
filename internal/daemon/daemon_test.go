package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/config"
	"chaffinch/internal/outside"
	"chaffinch/store"
)

// TestMain lets the test binary be the child that checks the store.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == "check-store" {
		os.Exit(store.CheckCommand(os.Stdout, os.Args[2]))
	}
	os.Exit(m.Run())
}

// rig is a daemon on a make-believe combine, many times faster than real.
type rig struct {
	t      *testing.T
	cfg    *config.Config
	source *Pretend

	mu   sync.Mutex
	told []string // event ids and phases, in the order published
	log  logText

	statusFile string
}

// logText is a log that may be read while it is written.
type logText struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logText) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// waitFor waits until the log says something.
func (l *logText) waitFor(t *testing.T, text string) {
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if strings.Contains(l.String(), text) {
			return
		}
	}
	t.Errorf("the log does not say %q:\n%s", text, l.String())
}

func newRig(t *testing.T, speed float64, change func(*config.Config)) *rig {
	t.Helper()
	folder := t.TempDir()
	scenario := virtual.DemoFor(0.2)
	origin := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	scenario.Start = origin.Format(time.RFC3339)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	cfg.Store.Path = filepath.Join(folder, "store.db")
	cfg.MQTT.Listen = outside.FreePort(t)
	cfg.Phone.Listen = "" // phone_test.go has it
	if change != nil {
		change(cfg)
	}
	return &rig{t: t, cfg: cfg, source: NewPretend(virtual.New(scenario, 1), origin, speed, Clock{})}
}

func (r *rig) run(ctx context.Context) error {
	exe, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	return Run(ctx, Options{
		Config: r.cfg, Source: r.source, SelfExe: exe,
		Log: slog.New(slog.NewTextHandler(&r.log, nil)),
		Told: func(e *detect.Event) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.told = append(r.told, fmt.Sprintf("e1-%d %s", e.Number, e.Phase))
		},
	})
}

// stored lists what the store holds, in order.
func (r *rig) stored() []string {
	r.t.Helper()
	if err := store.CheckFile(r.cfg.Store.Path); err != nil {
		r.t.Fatal(err)
	}
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		r.t.Fatal(err)
	}
	defer s.Close()
	var all []string
	for rec, err := range s.All(store.Event, store.Key{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		all = append(all, rec.ID+" "+rec.Phase.String())
	}
	return all
}

func TestWhatIsToldIsStoredInTheSameOrder(t *testing.T) {
	r := newRig(t, 200, nil)
	if err := r.run(t.Context()); err != nil { // until the make-believe day is over
		t.Fatalf("%v\n%s", err, r.log.String())
	}
	stored := r.stored()
	if len(stored) < 6 || strings.Join(stored, ",") != strings.Join(r.told, ",") {
		t.Errorf("told   %v\nstored %v", r.told, stored)
	}
}

// What a run left open is ended by the next one, also at a broker elsewhere.
func TestTheNextRunEndsWhatWasInterrupted(t *testing.T) {
	r := newRig(t, 200, nil)
	if err := r.run(t.Context()); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(r.cfg.Store.Path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	left := []byte(`{"v":1,"id":"m2-1","phase":"raised","subject":null,"event":{"id":"e2-1","kind":"engine-hot","ended":null}}`)
	if err := s.Append([]store.Record{{Kind: store.Event, ID: "e2-1", Priority: detect.High, Send: true, Payload: left}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil { // as if the power had gone then
		t.Fatal(err)
	}
	again := newRig(t, 1, func(c *config.Config) { c.Store.Path = r.cfg.Store.Path })
	ctx, stop := context.WithCancel(t.Context())
	go func() {
		again.log.waitFor(t, "ended what an earlier run left open")
		stop()
	}()
	if err := again.run(ctx); err != nil {
		t.Fatal(err)
	}
	stored := again.stored()
	if last := stored[len(stored)-1]; last != "e2-1 ended" {
		t.Errorf("the last record is %q", last)
	}
	s, err = store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if open, err := s.Active(); err != nil || len(open) != 0 {
		t.Errorf("still open: %v %v", open, err)
	}
	if dates, err := s.Dates(); err != nil {
		t.Error(err)
	} else if at, source, ok := dates.Date(1, 0); !ok || source != store.SystemClock || at.Year() != 2026 {
		t.Errorf("the first run's dates: %v %v %v", at, source, ok)
	}
}

func TestItStopsSoonWhenAsked(t *testing.T) {
	r := newRig(t, 1, nil)
	ctx, stop := context.WithCancel(t.Context())
	var asked time.Time
	go func() {
		r.log.waitFor(t, "store open")
		time.Sleep(300 * time.Millisecond)
		asked = time.Now()
		stop()
	}()
	if err := r.run(ctx); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(asked); took > 3*time.Second {
		t.Errorf("took %v", took)
	}
}

func TestItGoesOnWithoutAStore(t *testing.T) {
	// A file stands where the store's folder should be: it can never be opened.
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, 200, func(c *config.Config) { c.Store.Path = filepath.Join(blocked, "store.db") })
	ctx, stop := context.WithTimeout(t.Context(), 4*time.Second)
	defer stop()
	err := r.run(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.told) == 0 {
		t.Errorf("no alert came: %v\n%s", err, r.log.String())
	}
}

// A real broker, mosquitto, that is absent at the start and is restarted in
// the middle: every event arrives, in order. (Its being killed, and lost
// acknowledgements, are tested in publish/mqtt.)
func TestAnotherBrokerGetsEverythingInOrder(t *testing.T) {
	mosquitto, subscribe := outside.Tool(t, "mosquitto"), outside.Tool(t, "mosquitto_sub")
	address := outside.FreePort(t)
	host, port, _ := net.SplitHostPort(address)
	folder := t.TempDir()
	conf := filepath.Join(folder, "mosquitto.conf")
	text := fmt.Sprintf("listener %s %s\nallow_anonymous true\npersistence true\npersistence_location %s/\nuser root\n", port, host, folder)
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	start := func() *exec.Cmd {
		cmd := exec.Command(mosquitto, "-c", conf)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for deadline := time.Now().Add(5 * time.Second); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
			if c, err := net.Dial("tcp", address); err == nil {
				c.Close()
				return cmd
			}
		}
		t.Fatal("mosquitto does not start")
		return nil
	}
	stop := func(cmd *exec.Cmd) {
		cmd.Process.Signal(syscall.SIGTERM)
		cmd.Wait()
	}
	durable := []string{"-h", host, "-p", port, "-q", "1", "-c", "-i", "office", "-F", "%p", "-t", "chaffinch/v1/+/event"}

	r := newRig(t, 100, func(c *config.Config) { c.MQTT.Broker = "mqtt://" + address })
	done := make(chan error, 1)
	ctx, end := context.WithTimeout(t.Context(), 25*time.Second)
	defer end()
	go func() { done <- r.run(ctx) }()

	time.Sleep(500 * time.Millisecond)
	broker := start()
	exec.Command(subscribe, append(durable, "-E")...).Run() // the office's session exists from now on
	time.Sleep(2 * time.Second)
	stop(broker)
	time.Sleep(300 * time.Millisecond)
	broker = start()
	defer func() { stop(broker) }()
	if err := <-done; err != nil {
		t.Fatalf("%v\n%s", err, r.log.String())
	}

	// A second run has nothing new to tell, and sends what the first could not.
	again := newRig(t, 1, func(c *config.Config) { c.MQTT.Broker, c.Store.Path = "mqtt://"+address, r.cfg.Store.Path })
	short, cancel := context.WithTimeout(t.Context(), 4*time.Second)
	defer cancel()
	if err := again.run(short); err != nil {
		t.Fatalf("%v\n%s", err, again.log.String())
	}

	var heard bytes.Buffer
	office := exec.Command(subscribe, append(durable, "-W", "2")...)
	office.Stdout = &heard
	office.Run() // ends by its time limit
	var got []string
	known := map[string]bool{}
	for line := range strings.Lines(heard.String()) {
		var m struct {
			ID, Phase string
			Event     struct{ ID string }
		}
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if !known[m.ID] { // at least once: ids tell repetitions
			known[m.ID] = true
			got = append(got, m.Event.ID+" "+m.Phase)
		}
	}
	if want := strings.Join(r.stored(), ","); strings.Join(got, ",") != want || want == "" {
		t.Errorf("got  %v\nwant %v", strings.Join(got, ","), want)
	}
}
