package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/internal/config"
	"chaffinch/publish"
)

// manager stands for the service manager: a datagram socket that keeps what it
// is told, with the time.
type manager struct {
	t       *testing.T
	conn    *net.UnixConn
	address string

	mu    sync.Mutex
	words []word
}

type word struct {
	at   time.Time
	text string
}

func newManager(t *testing.T, address string) *manager {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: address, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	m := &manager{t: t, conn: conn, address: address}
	t.Cleanup(func() { conn.Close() })
	go func() {
		buffer := make([]byte, 4096)
		for {
			n, err := conn.Read(buffer)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.words = append(m.words, word{time.Now(), string(buffer[:n])})
			m.mu.Unlock()
		}
	}()
	return m
}

// after lists the words that begin so and came after a time.
func (m *manager) after(from time.Time, begin string) []word {
	m.mu.Lock()
	defer m.mu.Unlock()
	var some []word
	for _, w := range m.words {
		if w.at.After(from) && strings.HasPrefix(w.text, begin) {
			some = append(some, w)
		}
	}
	return some
}

// hears waits for a word that begins so.
func (m *manager) hears(within time.Duration, begin string) word {
	m.t.Helper()
	return m.hearsAfter(time.Time{}, within, begin)
}

// hearsAfter waits for one that comes after a time.
func (m *manager) hearsAfter(from time.Time, within time.Duration, begin string) word {
	m.t.Helper()
	for deadline := time.Now().Add(within); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if some := m.after(from, begin); len(some) > 0 {
			return some[0]
		}
	}
	m.t.Fatalf("the service manager did not hear %q within %v; it heard %+v", begin, within, m.after(time.Time{}, ""))
	return word{}
}

func socketPath(t *testing.T) string { return filepath.Join(t.TempDir(), "notify") }

func TestAWordGetsThrough(t *testing.T) {
	for name, address := range map[string]string{
		"a path":                socketPath(t),
		"an abstract namespace": fmt.Sprintf("@chaffinch-test-%d", os.Getpid()),
	} {
		t.Run(name, func(t *testing.T) {
			m := newManager(t, address)
			n := notifier{socket: address, log: slog.New(slog.DiscardHandler)}
			if !n.say("READY=1", "STATUS=all is well") {
				t.Fatal("the word did not get through")
			}
			if got := m.hears(time.Second, "READY"); got.text != "READY=1\nSTATUS=all is well" {
				t.Errorf("the manager heard %q", got.text)
			}
		})
	}
}

func TestStatusIsSaidWhenItChanges(t *testing.T) {
	m := newManager(t, socketPath(t))
	n := notifier{socket: m.address, log: slog.New(slog.DiscardHandler)}
	for _, status := range []string{"one", "one", "two\nREADY=1", "two READY=1", "one"} {
		n.tell(status)
	}
	n.say("END=1")
	m.hears(time.Second, "END")
	var got []string
	for _, w := range m.after(time.Time{}, "") {
		got = append(got, w.text)
	}
	if want := "STATUS=one,STATUS=two READY=1,STATUS=one,END=1"; strings.Join(got, ",") != want {
		t.Errorf("the manager heard %q, want %q", got, want)
	}
}

func TestAManagerThatIsGoneIsLoggedOnce(t *testing.T) {
	var log logText
	path := socketPath(t)
	n := notifier{socket: path, log: slog.New(slog.NewTextHandler(&log, nil))}
	for range 3 {
		if n.say("WATCHDOG=1") {
			t.Fatal("a word got through to nobody")
		}
	}
	newManager(t, path)
	if !n.say("WATCHDOG=1") {
		t.Error("a manager that came back is not heard of")
	}
	if lines := strings.Count(log.String(), "\n"); lines != 1 {
		t.Errorf("%d lines:\n%s", lines, log.String())
	}
}

func TestServiceFromTheEnvironment(t *testing.T) {
	own, other := strconv.Itoa(os.Getpid()), strconv.Itoa(os.Getpid()+1)
	for _, c := range []struct {
		name string
		env  map[string]string
		want Service
	}{
		{"by hand", nil, Service{}},
		{"under a manager", map[string]string{"NOTIFY_SOCKET": "/run/notify", "WATCHDOG_USEC": "20000000", "WATCHDOG_PID": own},
			Service{"/run/notify", 20 * time.Second}},
		{"no process named", map[string]string{"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "20000000"}, Service{"@x", 20 * time.Second}},
		{"the watchdog is another's", map[string]string{"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "20000000", "WATCHDOG_PID": other}, Service{Socket: "@x"}},
		{"nonsense", map[string]string{"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "soon"}, Service{Socket: "@x"}},
		{"no time at all", map[string]string{"WATCHDOG_USEC": "0"}, Service{}},
	} {
		if got := ServiceFrom(func(name string) string { return c.env[name] }); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// noBus is a computer without any interface.
type noBus struct{}

func (noBus) Read(ctx context.Context, _ []canbus.Frame) (int, int64, error) {
	select {
	case <-time.After(pollEvery):
		return 0, canbus.LiveClock(), nil
	case <-ctx.Done():
		return 0, 0, ctx.Err()
	}
}
func (noBus) Wall(stamp int64) (time.Time, bool) { return time.Unix(0, stamp), false }
func (noBus) Stamp() int64                       { return canbus.LiveClock() }
func (noBus) Bus() publish.Bus                   { return publish.Bus{State: "absent"} }
func (noBus) Trouble() string                    { return "there is no interface can0" }

// Nothing that a cab may lack keeps the program from being ready.
func TestReadyWithoutBusClockBrokerPageOrStore(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	for name, change := range map[string]func(*config.Config){
		"all but a bus and a clock": func(*config.Config) {},
		"no store": func(c *config.Config) {
			c.Store.Path = filepath.Join(t.TempDir(), "is not there", "store.db")
		},
		"the ports are taken": func(c *config.Config) {
			c.MQTT.Listen, c.Phone.Listen = taken.Addr().String(), taken.Addr().String()
		},
		"a broker that is not there": func(c *config.Config) { c.MQTT.Broker = "mqtt://127.0.0.1:9" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, 1, change)
			m := newManager(t, socketPath(t))
			stop := r.startService(Service{Socket: m.address}, noBus{}, nil)
			m.hears(10*time.Second, "READY=1")
			stop()
			m.hears(time.Second, "STOPPING=1")
		})
	}
}

// startService runs the daemon of a rig under a service manager; what it
// returns stops it.
func (r *rig) startService(s Service, source Source, started func(*Daemon)) (stop func()) {
	r.t.Helper()
	exe, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- Run(ctx, Options{
			Config: r.cfg, Source: source, SelfExe: exe, Log: slog.New(slog.NewTextHandler(&r.log, nil)),
			Service: s, StatusFile: r.statusFile, started: started, storeTick: 100 * time.Millisecond,
		})
	}()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			select {
			case err := <-done:
				// A store that never came is told of at the end.
				if err != nil && !errors.Is(err, os.ErrNotExist) {
					r.t.Logf("the daemon said: %v", err)
				}
			case <-time.After(20 * time.Second):
				r.t.Error("the daemon does not stop")
			}
		})
	}
	r.t.Cleanup(stop)
	return stop
}
