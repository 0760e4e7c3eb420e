package mqtt

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/internal/outside"
	"chaffinch/publish"
)

var topics = publish.NewTopics("w")

// noLeaks fails the test if goroutines of ours or of the libraries are left
// when everything else of the test is over.
func noLeaks(t *testing.T) {
	t.Helper()
	t.Cleanup(func() {
		var left []string
		for range 100 {
			left = nil
			buf := make([]byte, 1<<20)
			for g := range strings.SplitSeq(string(buf[:runtime.Stack(buf, true)]), "\n\n") {
				if (strings.Contains(g, "chaffinch/publish/mqtt.") || strings.Contains(g, "mochi-mqtt") || strings.Contains(g, "paho.mqtt")) &&
					!strings.Contains(g, "mqtt.noLeaks") && !strings.Contains(g, "testing.(*T).Run") {
					left = append(left, g)
				}
			}
			if len(left) == 0 {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Errorf("%d goroutines left, the first:\n%s", len(left), left[0])
	})
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// record is a log that a test can read.
type record struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (r *record) Write(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.buf.Write(p)
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.buf.String()
}

func (r *record) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(r, &slog.HandlerOptions{Level: slog.LevelDebug}))
}

// startBroker starts the broker inside on a free port.
func startBroker(t *testing.T, change func(*BrokerOptions, *limits)) *Broker {
	t.Helper()
	noLeaks(t)
	o := BrokerOptions{Listen: "127.0.0.1:0", Topics: topics}
	many := limits{silence: 500 * time.Millisecond, burst: 1e6, perSecond: 1e6}
	if change != nil {
		change(&o, &many)
	}
	b := NewBroker(o)
	b.limits = many
	if err := b.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

// subscriber is a mosquitto_sub: a client that we did not write.
type subscriber struct {
	mu    sync.Mutex
	lines []string
}

// subscribe runs mosquitto_sub until the test ends. Each line has retain
// flag, topic and payload.
func subscribe(t *testing.T, address string, filter string, more ...string) *subscriber {
	t.Helper()
	program := outside.Tool(t, "mosquitto_sub")
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	args := append([]string{"-h", host, "-p", port, "-t", filter, "-q", "1", "-F", "%r %t %p"}, more...)
	cmd := exec.Command(program, args...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s := &subscriber{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for in := bufio.NewScanner(out); in.Scan(); {
			s.mu.Lock()
			s.lines = append(s.lines, in.Text())
			s.mu.Unlock()
		}
	}()
	t.Cleanup(func() {
		cmd.Process.Kill()
		<-done
		cmd.Wait()
	})
	return s
}

func (s *subscriber) all() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.lines)
}

func (s *subscriber) has(line string) bool { return slices.Contains(s.all(), line) }

// mosquitto is an external broker on a fixed port, that can be killed and
// started again.
type mosquitto struct {
	t       *testing.T
	program string
	config  string
	address string
	cmd     *exec.Cmd
	log     *record
}

func newMosquitto(t *testing.T, more ...string) *mosquitto {
	t.Helper()
	m := &mosquitto{t: t, program: outside.Tool(t, "mosquitto"), log: &record{}}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m.address = ln.Addr().String()
	ln.Close()
	_, port, _ := net.SplitHostPort(m.address)
	lines := append([]string{"listener " + port + " 127.0.0.1", "allow_anonymous true", "persistence false", "log_dest stderr",
		"log_type all", "user root", "max_queued_messages 0"}, more...)
	m.config = filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(m.config, []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) start() {
	m.t.Helper()
	m.cmd = exec.Command(m.program, "-c", m.config)
	m.cmd.Stderr = m.log
	if err := m.cmd.Start(); err != nil {
		m.t.Fatal(err)
	}
	eventually(m.t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", m.address)
		if err == nil {
			c.Close()
		}
		return err == nil
	})
}

// subscribed waits until a subscription is acknowledged.
func (m *mosquitto) subscribed() {
	m.t.Helper()
	eventually(m.t, "subscription", func() bool { return strings.Contains(m.log.String(), "Sending SUBACK") })
}

// kill is kill -9.
func (m *mosquitto) kill() {
	if m.cmd != nil {
		m.cmd.Process.Kill()
		m.cmd.Wait()
		m.cmd = nil
	}
}

// packet is a control packet of MQTT: the first byte, the length, the rest.
func packet(first byte, rest ...[]byte) []byte {
	body := bytes.Join(rest, nil)
	return append(binary.AppendUvarint([]byte{first}, uint64(len(body))), body...)
}

func text(s string) []byte { return append(binary.BigEndian.AppendUint16(nil, uint16(len(s))), s...) }

// connect is a CONNECT of version 4 (3.1.1) or 5; flags as in MQTT 3.1.1,
// 3.1.2.3, and rest what they announce.
func connect(version byte, flags byte, id string, rest ...[]byte) []byte {
	head := append(text("MQTT"), version, flags, 0, 60)
	if version == 5 {
		head = append(head, 0)
	}
	return packet(0x10, head, text(id), bytes.Join(rest, nil))
}

const clean = 0x02

// raw is a connection that speaks bytes.
type raw struct {
	net.Conn
	r *bufio.Reader
}

func dialRaw(t *testing.T, address string) *raw {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return &raw{Conn: c, r: bufio.NewReader(c)}
}

// read is the next packet, or an error.
func (r *raw) read() (first byte, body []byte, err error) {
	r.SetReadDeadline(time.Now().Add(3 * time.Second))
	if first, err = r.r.ReadByte(); err != nil {
		return 0, nil, err
	}
	n, err := binary.ReadUvarint(r.r)
	if err != nil {
		return 0, nil, err
	}
	body = make([]byte, n)
	_, err = io.ReadFull(r.r, body)
	return first, body, err
}

// ask sends a packet and describes the answer.
func (r *raw) ask(p []byte) string {
	r.Write(p)
	first, body, err := r.read()
	if err != nil {
		return "closed"
	}
	return fmt.Sprintf("%02x:%x", first, body)
}

func event(number uint64, kind string, phase detect.Phase) *detect.Event {
	return &detect.Event{Number: number, Kind: kind, Phase: phase, Priority: detect.Medium, Text: kind}
}

func newBoard() *publish.Board {
	return publish.NewBoard(topics, publish.Clock{Boot: 1, Wall: func(i signal.Instant) (time.Time, bool) { return time.Unix(0, int64(i)), true }})
}
