package daemon

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/config"
	"chaffinch/publish"
)

// healthy is a board on a machine at work.
func healthy() *Status {
	load, rpm := 38.0, 1950.0
	return &Status{
		Schema: 1, Version: "v1.2.3", Machine: "combine-7", UptimeS: 7500,
		Bus:     BusStatus{Interface: "can0", State: "up", Mode: "listen-only", Bitrate: 250_000, FramesPerS: 712, Frames: 5_000_000, LoadPct: &load},
		Signals: SignalsStatus{Heard: []string{"engine_speed_rpm", "ground_speed_kmh"}, Silent: []string{"fuel_rate_l_h"}, Never: []string{"rotor_speed_rpm", "crop_loss_pct"}},
		Store:   StoreStatus{Recording: true, Path: "/var/lib/chaffinch/chaffinch.db", UsedMB: 3.1, MaxMB: 256},
		Clock:   ClockStatus{Set: true, Source: "system"}, Activity: "cutting", ActivityS: 740, EngineRPM: &rpm,
		MQTT:      MQTTStatus{Inside: "127.0.0.1:1883", Clients: 2, Broker: "broker.farm.example:8883", Connected: true},
		Page:      PageStatus{URL: "http://192.168.7.1:8080/", Phones: 1},
		LastAlert: &AlertStatus{"rotor slowing", 3700}, Start: StartStatus{Run: 12, Known: true, Clean: true},
	}
}

func TestWhatATechnicianReads(t *testing.T) {
	s := healthy()
	s.judge("", nil)
	var out bytes.Buffer
	if err := s.Write(&out); err != nil {
		t.Fatal(err)
	}
	want := `well?     yes
program   v1.2.3, machine "combine-7", up for 2 h 5 min
bus       can0 is up, listen-only mode; 712 frames/s (38 % load); 0 lost, 0 errors
signals   2 heard; silent now: fuel rate; never heard: rotor speed
machine   engine 1950 rpm; cutting for 12 min
store     recording; 3.1 of 256 MB used
clock     set
mqtt      broker inside on 127.0.0.1:1883, 2 clients; broker.farm.example:8883 connected, 0 messages wait
page      http://192.168.7.1:8080/, open on 1 phones
alerts    none now; the last 1 h 1 min ago: rotor slowing
start     run 12; the one before was stopped in good order
`
	if out.String() != want {
		t.Errorf("got:\n%s\nwant:\n%s", out.String(), want)
	}
	if line := "listening on can0; recording; broker connected; clock set"; s.Line() != line {
		t.Errorf("the manager's line is %q, want %q", s.Line(), line)
	}
}

func TestTheOneThingToDo(t *testing.T) {
	item := func(name, text string) publish.Item { return publish.Item{Name: name, Text: text} }
	clock := item("clock-unsure", "the clock is not set: dates are missing")
	broker := item("broker-away", "the broker elsewhere cannot be reached")
	for _, c := range []struct {
		name   string
		change func(*Status)
		still  string
		health []publish.Item
		well   bool
		head   string // the beginning of the first line
		do     string // a part of what is to be done
	}{
		{name: "all is well", well: true, head: "yes"},
		{name: "dates from GNSS", change: func(s *Status) { s.Clock = ClockStatus{Source: "gnss"} }, well: true, head: "yes"},
		{name: "no clock", change: func(s *Status) { s.Clock = ClockStatus{Source: "unset"} }, health: []publish.Item{clock}, well: true, head: "yes, but the clock is not set", do: "timedatectl"},
		{name: "no network", health: []publish.Item{broker}, well: true, head: "yes, but the broker elsewhere", do: "messages wait"},
		{name: "the cab's own broker is away", change: func(s *Status) { s.MQTT.Inside = "" }, health: []publish.Item{broker},
			head: "NO: the broker elsewhere", do: "look at the broker broker.farm.example:8883"},
		{name: "the graver first", change: func(s *Status) { s.Clock = ClockStatus{} }, health: []publish.Item{clock, item("not-recording", "not recording: the disk is full")},
			head: "NO: not recording: the disk is full", do: "card"},
		{name: "no adapter", change: func(s *Status) { s.Bus.State = "absent" }, health: []publish.Item{item("bus-away", "can0 is absent")},
			head: "NO: can0 is absent", do: "plug the CAN adapter in"},
		{name: "link down", change: func(s *Status) { s.Bus.State = "down" }, health: []publish.Item{item("bus-away", "can0 is down")},
			head: "NO: can0 is down", do: "systemd-networkd"},
		{name: "normal mode refused", change: func(s *Status) { s.Bus.State = "refused" },
			health: []publish.Item{item("bus-away", "bus.interface: can0 would send; set it to listen-only mode")},
			head:   "NO: bus.interface: can0 would send. Do: set it to listen-only mode"},
		{name: "wrong bit rate", health: []publish.Item{item("bus-away", "errors but no frames: wrong bit rate or wiring")},
			head: "NO: errors but no frames", do: "bit rate"},
		{name: "port taken", health: []publish.Item{item("page-away", "the page is not served: in use")}, head: "NO: the page is not served", do: "ss -ltnp"},
		{name: "a hang", still: "store writer", health: []publish.Item{clock}, head: "NO: the store writer stands still", do: "journalctl"},
		{name: "key off since the start", change: func(s *Status) { s.Bus.Frames, s.Bus.FramesPerS = 0, 0 }, well: true,
			head: "yes, but nothing was heard on can0 yet", do: "key on"},
		{name: "key off", change: func(s *Status) { s.Bus.FramesPerS = 0 }, well: true, head: "yes"},
		{name: "a bench", change: func(s *Status) { s.Bus.Mode = "normal" }, well: true, head: "yes, but can0 is in normal mode"},
		{name: "damaged at the start", change: func(s *Status) { s.Store.Damaged, s.Store.SetAside, s.Store.Kept = true, "x.damaged-1", 40 }, well: true,
			head: "yes, but the store was damaged at the start; 40 records were kept", do: "x.damaged-1"},
	} {
		s := healthy()
		if c.change != nil {
			c.change(s)
		}
		s.judge(c.still, c.health)
		if c.head == "yes" && s.Headline() != "yes" {
			t.Errorf("%s: %q", c.name, s.Headline())
		}
		if s.Well != c.well || !strings.HasPrefix(s.Headline(), c.head) || !strings.Contains(s.Do, c.do) {
			t.Errorf("%s: well %v, %q", c.name, s.Well, s.Headline())
		}
		if strings.HasPrefix(s.Line(), "NOT WELL") == c.well {
			t.Errorf("%s: the manager's line is %q", c.name, s.Line())
		}
	}
}

func TestTheStatusFileOfARunningDaemon(t *testing.T) {
	const canary = "canary-in-the-coal-mine"
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte(canary+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, 1, func(c *config.Config) {
		c.MQTT.Uplink.Broker, c.MQTT.Uplink.Username, c.MQTT.Uplink.PasswordFile = "mqtt://127.0.0.1:9", "combine", password
		c.Phone.Listen = "127.0.0.1:0"
	})
	r.statusFile = filepath.Join(t.TempDir(), "status.json")
	m := newManager(t, socketPath(t))
	stop := r.startService(Service{Socket: m.address}, r.source, nil)
	m.hears(10*time.Second, "READY=1")
	r.log.waitFor(t, "to pair a phone")
	var s *Status
	var age time.Duration
	var err error
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if s, age, err = ReadStatus(r.statusFile); err == nil && s.Bus.FramesPerS >= 100 && len(s.Signals.Heard) >= 5 {
			break
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	if age < 0 || age > 3*time.Second {
		t.Errorf("the status is %v old", age)
	}
	info, err := os.Stat(r.statusFile)
	if err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("the file is %v, %v", info.Mode(), err)
	}
	if s.Bus.State != "up" || s.Bus.FramesPerS < 100 || len(s.Signals.Heard) < 5 || s.EngineRPM == nil ||
		!s.Store.Recording || s.Store.MaxMB == 0 || s.Start.Run != 1 || s.MQTT.Broker != "127.0.0.1:9" || s.MQTT.Connected || s.Page.URL == "" {
		t.Errorf("it says %+v", s)
	}
	var out bytes.Buffer
	if err := s.Write(&out); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(out.String(), "\n"); n > 12 {
		t.Errorf("%d lines:\n%s", n, out.String())
	}
	raw, err := os.ReadFile(r.statusFile)
	if err != nil {
		t.Fatal(err)
	}
	_, code, _ := strings.Cut(r.log.String(), " code=")
	code, _, _ = strings.Cut(code, " ")
	if len(code) != 6 {
		t.Fatalf("no code in the log: %q", code)
	}
	for where, text := range map[string]string{"the file": string(raw), "what people read": out.String(), "the manager": joined(m)} {
		for _, secret := range []string{canary, code, "latitude_deg\":"} {
			if strings.Contains(text, secret) {
				t.Errorf("%q is in %s:\n%s", secret, where, text)
			}
		}
	}
	if strings.Contains(r.log.String(), canary) {
		t.Error("the password is in the log")
	}
	stop()
	if _, _, err := ReadStatus(r.statusFile); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("after the stop: %v", err)
	}
}

func joined(m *manager) string {
	var b strings.Builder
	for _, w := range m.after(time.Time{}, "") {
		b.WriteString(w.text)
	}
	return b.String()
}

// Whoever reads sees all of the old or all of the new.
func TestTheStatusIsReplacedWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "status.json")
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 300 {
			if err := writeStatus(path, healthy()); err != nil {
				t.Error(err)
			}
		}
	}()
	for reads := 0; ; reads++ {
		if _, _, err := ReadStatus(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatalf("read %d: %v", reads, err)
		}
		select {
		case <-done:
			return
		default:
		}
	}
}

func TestAStatusOfAnotherVersion(t *testing.T) {
	path := filepath.Join(t.TempDir(), "status.json")
	s := healthy()
	s.Schema = 2
	text, _ := json.Marshal(s)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := ReadStatus(path); err == nil {
		t.Error("it was taken for one of this version")
	}
}
