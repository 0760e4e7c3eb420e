package uplinktest

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/publish/mqtt"
	"chaffinch/store"
)

// machine is one machine's way out: its store on disk, the writer before it, and
// the uplink behind it, wired as the daemon wires them. What the core would find
// comes from the test.
type machine struct {
	name   string
	writer *store.Writer
	uplink *mqtt.Uplink
	board  *publish.Board
	topics publish.Topics
	clock  publish.Clock

	t       *testing.T
	path    string
	server  mqtt.Server
	stop    func()
	forgets bool            // its outbox cursor is never written, as before a power cut
	handed  uint64          // while it forgets: up to where it was sent
	ahead   []store.Message // used by the uplink alone

	mu      sync.Mutex
	changed chan struct{} // closed when something was committed
	seq     uint64
	ids     []string // of its messages, in order
}

// newMachine starts a machine, which runs until the test ends.
func newMachine(t *testing.T, name, folder string, server mqtt.Server) *machine {
	t.Helper()
	m := &machine{t: t, name: name, path: filepath.Join(folder, name+".db"), server: server, topics: publish.NewTopics(name), changed: make(chan struct{})}
	m.run()
	t.Cleanup(func() { m.stop() })
	return m
}

// run is one run of the program: each has a boot number of its own.
func (m *machine) run() {
	began := time.Now()
	m.clock = publish.Clock{Boot: m.clock.Boot + 1, Wall: func(at signal.Instant) (time.Time, bool) { return began.Add(time.Duration(at)), true }}
	m.seq, m.ahead, m.handed = 0, nil, 0
	m.board = publish.NewBoard(m.topics, m.clock)
	m.writer = store.NewWriter(store.WriterOptions{
		Open: func(context.Context) (*store.Store, store.Report, error) {
			s, err := store.Open(m.path, store.Options{})
			return s, store.Report{}, err
		},
		Committed: func([]store.Record) { m.touch() },
	})
	m.uplink = mqtt.NewUplink(mqtt.UplinkOptions{Server: m.server, Board: m.board, Outbox: m})
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := m.writer.Run(ctx); err != nil {
			m.t.Errorf("%s: %v", m.name, err)
		}
	})
	running.Go(func() {
		if err := m.uplink.Run(ctx); err != nil {
			m.t.Errorf("%s: %v", m.name, err)
		}
	})
	m.stop = func() { cancel(); running.Wait() }
}

// tells makes one more event, as the core makes it: raised and ended in turn.
func (m *machine) tells(t *testing.T) {
	t.Helper()
	m.mu.Lock()
	m.seq++
	seq := m.seq
	m.ids = append(m.ids, fmt.Sprintf("m%d-%d", m.clock.Boot, seq))
	m.mu.Unlock()
	at := signal.Instant(time.Duration(seq) * time.Second)
	e := detect.Event{Number: (seq + 1) / 2, Kind: "rotor-slowing", Phase: detect.Raised, Priority: detect.High, Began: at, Raised: at, Text: "Rotor 9 % slow: ease off"}
	if seq%2 == 0 {
		e.Phase, e.Ended = detect.Ended, at
	}
	r := core.EventRecord(seq, at, &e, m.clock)
	m.board.Apply(&e, r.Payload)
	if err := m.writer.Put(t.Context(), r); err != nil {
		t.Errorf("%s: %v", m.name, err)
	}
}

// waits tells whether the broker does not have all yet, as far as the store knows.
func (m *machine) waits() bool {
	s := m.writer.Store()
	if s == nil {
		return true
	}
	left, err := s.OutboxNext(1)
	return err != nil || len(left) > 0
}

func (m *machine) touch() {
	m.mu.Lock()
	defer m.mu.Unlock()
	close(m.changed)
	m.changed = make(chan struct{})
}

// unsent is what the store has for the outbox, and was not handed over.
func (m *machine) unsent() []store.Message {
	s := m.writer.Store()
	if s == nil {
		return nil
	}
	all, _ := s.OutboxNext(32)
	return slices.DeleteFunc(all, func(w store.Message) bool { return m.forgets && w.Key.Seq <= m.handed })
}

// Next, Done and Wait are the outbox that the uplink asks.
func (m *machine) Next() (seq uint64, topic string, payload []byte, ok bool) {
	if len(m.ahead) == 0 {
		m.ahead = m.unsent()
	}
	if len(m.ahead) == 0 {
		return 0, "", nil, false
	}
	return m.ahead[0].Key.Seq, m.topics.Event(), m.ahead[0].Record.Payload, true
}

func (m *machine) Done(uint64) {
	if m.forgets {
		m.handed = m.ahead[0].Key.Seq
	} else {
		m.writer.Sent(m.ahead[0])
	}
	m.ahead = m.ahead[1:]
}

func (m *machine) Wait(ctx context.Context) error {
	for {
		m.mu.Lock()
		changed := m.changed
		m.mu.Unlock()
		if len(m.unsent()) > 0 {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
