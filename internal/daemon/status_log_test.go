package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/config"
)

func TestALogThatIsFloodedStaysCalm(t *testing.T) {
	var out logText
	h := CalmLog(slog.NewTextHandler(&out, nil))
	now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	for range 600 { // ten minutes of two a second
		for i, text := range []string{"a source changes", "another text"} {
			if i == 1 && now.Second() != 0 {
				continue
			}
			r := slog.NewRecord(now, slog.LevelInfo, text, 0)
			if err := h.WithAttrs([]slog.Attr{slog.Int("n", 1)}).Handle(context.Background(), r); err != nil {
				t.Fatal(err)
			}
		}
		now = now.Add(time.Second)
	}
	flood, other := strings.Count(out.String(), "a source changes"), strings.Count(out.String(), "another text")
	if flood != calmBurst+9 || other != 10 {
		t.Errorf("%d and %d lines, want %d and 10", flood, other, calmBurst+9)
	}
	if !strings.Contains(out.String(), "kept_back=59") {
		t.Errorf("it does not say how many it kept back:\n%s", out.String())
	}
}

func TestACalmLogSurvivesAClockThatIsSet(t *testing.T) {
	var out logText
	h := CalmLog(slog.NewTextHandler(&out, nil))
	now := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	say := func(n int) int {
		before := strings.Count(out.String(), "\n")
		for range n {
			if err := h.Handle(context.Background(), slog.NewRecord(now, slog.LevelInfo, "x", 0)); err != nil {
				t.Fatal(err)
			}
		}
		return strings.Count(out.String(), "\n") - before
	}
	if n := say(100); n != calmBurst {
		t.Fatalf("%d lines at once", n)
	}
	now = now.AddDate(-50, 0, 0)
	if n := say(100); n != 0 {
		t.Errorf("%d lines because the clock was set back", n)
	}
	now = now.Add(calmEvery)
	if n := say(100); n != 1 {
		t.Errorf("%d lines after a minute, want 1", n)
	}
}

// Whatever is missing, the log says so once and is silent then.
func TestTheLogHasChangesOnly(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { taken.Close() })
	for name, change := range map[string]func(*config.Config){
		"no bus": func(*config.Config) {},
		"nothing works": func(c *config.Config) {
			c.Store.Path = filepath.Join(t.TempDir(), "is not there", "store.db")
			c.MQTT.Listen, c.Phone.Listen = taken.Addr().String(), taken.Addr().String()
			c.MQTT.Uplink.Broker = "mqtt://127.0.0.1:9"
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, 1, change)
			m := newManager(t, socketPath(t))
			r.startService(Service{Socket: m.address}, noBus{}, nil)
			m.hears(10*time.Second, "READY=1")
			time.Sleep(2500 * time.Millisecond) // for what is tried a second time
			before := strings.Count(r.log.String(), "\n")
			time.Sleep(3 * time.Second)
			if more := strings.Count(r.log.String(), "\n") - before; more > 0 {
				t.Errorf("%d more lines in 3 s:\n%s", more, r.log.String())
			}
			if before > 12 {
				t.Errorf("%d lines at the start:\n%s", before, r.log.String())
			}
			status := m.after(time.Time{}, "STATUS=")
			if len(status) == 0 || len(status) > 3 {
				t.Errorf("the manager heard %d status lines: %v", len(status), fmt.Sprint(status))
			}
			if name == "no bus" && strings.Contains(status[0].text, "broker does not listen") {
				t.Errorf("the first word is too early: %s", status[0].text)
			}
		})
	}
}
