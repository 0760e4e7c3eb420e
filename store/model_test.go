package store

import (
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"chaffinch/detect"
)

// model is the store as a few slices and maps: what it must hold after each
// commit.
type model struct {
	boot    uint32
	seq     uint64
	sent    Key
	records [kindCount][]Record
	outbox  []Message // with Gap or Record
	active  map[string]Key
	making  bool // room in the outbox: the last trimming did as much as one may
}

const modelOutboxMax = 60

// step is one commit.
type step struct {
	records    []Record
	sent       int // messages to take out
	trimOutbox bool
}

// steps makes the same steps for the same seed and the same open events.
type steps struct {
	rng  *rand.Rand
	open []string
	next int
	name string
}

func newSteps(seed uint64, open []string) *steps {
	slices.Sort(open)
	return &steps{rng: rand.New(rand.NewPCG(seed, 1)), open: open, name: fmt.Sprint(seed)}
}

func (g *steps) step() step {
	switch g.rng.IntN(9) {
	case 0:
		return step{sent: 1 + g.rng.IntN(12)}
	case 1:
		return step{trimOutbox: true}
	case 2:
		return step{records: g.long()}
	}
	var s step
	for range 1 + g.rng.IntN(6) {
		s.records = append(s.records, g.record())
	}
	return s
}

// long is a part of the long record: a block of history with the shift's memory,
// or a shift's beginning or end with it.
func (g *steps) long() []Record {
	r := Record{Kind: History, Phase: detect.Ended, Payload: g.bytes(1500 + g.rng.IntN(5000))}
	if g.rng.IntN(4) == 0 {
		r = Record{Kind: Shift, ID: fmt.Sprintf("shift-%d", g.rng.IntN(100)), Phase: detect.Phase(2 * g.rng.IntN(2)), Send: true, Payload: g.bytes(3000)}
	}
	return []Record{r, {Kind: Memory, ID: "shift", Phase: detect.Ended, Payload: g.bytes(g.rng.IntN(9000))}}
}

// bytes are like those of blocks: nothing that repeats.
func (g *steps) bytes(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(g.rng.Uint32())
	}
	return b
}

func (g *steps) record() Record {
	payload := []byte(strings.Repeat("x", g.rng.IntN(600)))
	if g.rng.IntN(40) == 0 {
		payload = []byte(strings.Repeat("y", g.rng.IntN(MaxPayload)))
	}
	r := Record{Payload: payload, Priority: detect.Priority(g.rng.IntN(3)), Send: g.rng.IntN(5) > 0}
	switch n := g.rng.IntN(10); {
	case n == 0:
		r.Kind, r.Phase = History, detect.Ended
		return r
	case n == 1:
		r.Kind, r.Phase, r.ID = Kind(1+g.rng.IntN(3)), detect.Ended, "other"
		return r
	case n < 6 || len(g.open) == 0:
		g.next++
		r.ID = fmt.Sprintf("%s-%d", g.name, g.next)
		g.open = append(g.open, r.ID)
		return r
	}
	i := g.rng.IntN(len(g.open))
	r.ID, r.Phase = g.open[i], detect.Changed
	if g.rng.IntN(4) > 0 {
		r.Phase = detect.Ended
		g.open = slices.Delete(g.open, i, i+1)
	}
	return r
}

// do is the step on the model.
func (m *model) do(s step) {
	for _, r := range s.records {
		m.seq++
		r.Key = Key{m.boot, m.seq}
		if r.Kind.onlyNewest() {
			m.records[r.Kind] = slices.DeleteFunc(m.records[r.Kind], func(old Record) bool { return old.ID == r.ID })
		}
		m.records[r.Kind] = append(m.records[r.Kind], r)
		if r.Send {
			m.outbox = append(m.outbox, Message{Key: r.Key, Record: r})
		}
		if r.Kind == Event && r.Phase == detect.Ended {
			delete(m.active, r.ID)
		} else if r.Kind == Event {
			m.active[r.ID] = r.Key
		}
	}
	if n := min(s.sent, len(m.outbox)); n > 0 {
		m.sent = m.outbox[n-1].Key
		m.outbox = m.outbox[n:]
	}
	if s.trimOutbox {
		dropped := 0
		if n := len(m.outbox); n > modelOutboxMax || m.making && n > modelOutboxMax*19/20 {
			dropped = m.trimOutbox(n - modelOutboxMax*19/20)
		}
		m.making = dropped == trimStep
	}
}

func (m *model) trimOutbox(excess int) (dropped int) {
	highest := make(map[string]detect.Priority)
	name := func(x Message) string { return fmt.Sprint(x.Record.Kind, x.Record.ID) }
	droppable := func(x Message) bool {
		_, active := m.active[x.Record.ID]
		return x.Gap == nil && !(active && x.Record.Kind == Event)
	}
	for _, x := range m.outbox {
		if droppable(x) {
			highest[name(x)] = max(highest[name(x)], x.Record.Priority)
		}
	}
	var gone []Key
	for p := detect.Low; p <= detect.High; p++ {
		for _, x := range m.outbox {
			if droppable(x) && highest[name(x)] == p && len(gone) < min(excess, trimStep) {
				gone = append(gone, x.Key)
			}
		}
	}
	if len(gone) == 0 {
		return 0
	}
	var gap Gap
	var rest []Message
	for _, x := range m.outbox {
		switch {
		case x.Gap != nil:
			gap = *x.Gap
		case !slices.Contains(gone, x.Key):
			rest = append(rest, x)
		}
	}
	for _, k := range gone {
		if gap.Dropped++; gap.First.IsZero() || k.Less(gap.First) {
			gap.First = k
		}
		if gap.Last.Less(k) {
			gap.Last = k
		}
	}
	rest = append(rest, Message{Key: gap.First, Gap: &gap})
	slices.SortFunc(rest, func(a, b Message) int { return compare(a.Key, b.Key) })
	m.outbox = rest
	return len(gone)
}

func compare(a, b Key) int {
	if a.Less(b) {
		return -1
	}
	if b.Less(a) {
		return 1
	}
	return 0
}

// doStep is the same step on the store.
func doStep(s *Store, x step) error {
	switch {
	case x.sent > 0:
		m, err := s.OutboxNext(x.sent)
		if err != nil {
			return err
		}
		if len(m) > 0 {
			s.OutboxDone(m[len(m)-1].Key)
		}
		_, err = s.StoreSent()
		return err
	case x.trimOutbox:
		_, err := s.TrimOutbox()
		return err
	}
	return s.Append(x.records)
}

// readModel takes the model out of a store, by its reading methods.
func readModel(t *testing.T, s *Store) *model {
	t.Helper()
	m := &model{boot: s.Boot(), seq: s.snapshot().Sequence, sent: s.snapshot().Sent, active: make(map[string]Key)}
	for k := range kindCount {
		m.records[k] = readAll(t, s, k)
		if n := s.Count(k); n != uint64(len(m.records[k])) {
			t.Errorf("%s: count %d, %d records", k, n, len(m.records[k]))
		}
	}
	active, err := s.Active()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range active {
		m.active[r.ID] = r.Key
	}
	for {
		more, err := s.OutboxNext(0)
		if err != nil {
			t.Fatal(err)
		}
		if len(more) == 0 {
			return m
		}
		m.outbox = append(m.outbox, more...)
		s.OutboxDone(more[len(more)-1].Key)
	}
}

// String is all of the model, for comparing. Payloads are told by their length
// and checksum.
func (m *model) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "boot %d sequence %d sent %s\n", m.boot, m.seq, m.sent)
	line := func(r Record) {
		fmt.Fprintf(&b, "%s %s %q %s %s %d %t %d %08x\n", r.Kind, r.Key, r.ID, r.Phase, r.Priority, r.At, r.Send, len(r.Payload), crc32.ChecksumIEEE(r.Payload))
	}
	for k := range kindCount {
		for _, r := range m.records[k] {
			line(r)
		}
	}
	for _, x := range m.outbox {
		if fmt.Fprintf(&b, "waits %s ", x.Key); x.Gap != nil {
			fmt.Fprintf(&b, "%+v\n", *x.Gap)
			continue
		}
		line(x.Record)
	}
	ids := make([]string, 0, len(m.active))
	for id, k := range m.active {
		ids = append(ids, fmt.Sprintf("active %s %s\n", id, k))
	}
	slices.Sort(ids)
	b.WriteString(strings.Join(ids, ""))
	return b.String()
}

func (m *model) openIDs() (ids []string) {
	for id := range m.active {
		ids = append(ids, id)
	}
	return ids
}

// firstDifference is for messages.
func firstDifference(got, want string) string {
	g, w := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(g), len(w)) {
		if g[i] != w[i] {
			return fmt.Sprintf("line %d: got %q, want %q", i+1, g[i], w[i])
		}
	}
	return fmt.Sprintf("%d lines, want %d", len(g), len(w))
}

func TestStoreEqualsModel(t *testing.T) {
	for seed := range uint64(rounds(t, 200)) {
		path := newPath(t)
		s := open(t, path, Options{OutboxMax: modelOutboxMax})
		m := readModel(t, s)
		g := newSteps(seed, nil)
		for n := range 60 {
			if n%25 == 24 {
				closeStore(t, s)
				s = open(t, path, Options{OutboxMax: modelOutboxMax})
				m.boot, m.making = m.boot+1, false
			}
			x := g.step()
			if err := doStep(s, x); err != nil {
				t.Fatalf("seed %d, step %d: %v", seed, n, err)
			}
			m.do(x)
		}
		closeStore(t, s)
		s = open(t, path, Options{ReadOnly: true})
		if got, want := readModel(t, s).String(), m.String(); got != want {
			t.Fatalf("seed %d: %s", seed, firstDifference(got, want))
		}
		closeStore(t, s)
	}
}
