package mqtt

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/outside"
	"chaffinch/publish"
)

// box is an outbox in memory. Each message has a topic of its own, so that a
// broker's log tells which it got.
type box struct {
	mu      sync.Mutex
	pending []uint64
	last    uint64
	more    chan struct{}
}

func newBox() *box { return &box{more: make(chan struct{}, 1)} }

func (b *box) add(n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for range n {
		b.last++
		b.pending = append(b.pending, b.last)
	}
	select {
	case b.more <- struct{}{}:
	default:
	}
}

func (b *box) Next() (uint64, string, []byte, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.pending) == 0 {
		return 0, "", nil, false
	}
	seq := b.pending[0]
	return seq, fmt.Sprintf("%s/%d", topics.Event(), seq), fmt.Append(nil, "payload ", seq), true
}

func (b *box) Done(seq uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.pending[0] == seq {
		b.pending = b.pending[1:]
	}
}

func (b *box) Wait(ctx context.Context) error {
	for b.left() == 0 {
		select {
		case <-b.more:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

func (b *box) left() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.pending)
}

// run runs an uplink to a broker until the test ends or stop is called.
func run(t *testing.T, address string, board *publish.Board, out Outbox, change func(*Uplink)) (u *Uplink, stop func()) {
	t.Helper()
	u = NewUplink(UplinkOptions{Server: Server{Broker: "mqtt://" + address}, Board: board, Outbox: out})
	u.shortest = 20 * time.Millisecond
	if change != nil {
		change(u)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- u.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(8 * time.Second):
			t.Error("Run does not end")
		}
	})
	t.Cleanup(stop)
	return u, stop
}

// inOrder checks that a receiver who ignores what it knows gets 1 to n in
// order, and returns how many came twice.
func inOrder(t *testing.T, got []string, n int) (again int) {
	t.Helper()
	seen := map[string]bool{}
	next := 1
	for _, g := range got {
		if seen[g] {
			again++
			continue
		}
		if want := fmt.Sprint(next); g != want {
			t.Fatalf("message %s came where %s was due", g, want)
		}
		seen[g] = true
		next++
	}
	if next != n+1 {
		t.Fatalf("%d messages, want %d", next-1, n)
	}
	return again
}

// The other end is mosquitto, which others wrote. Its own log says what it
// got; it writes that before it acknowledges.
func TestNothingIsLostWhenTheBrokerIsKilled(t *testing.T) {
	noLeaks(t)
	m := newMosquitto(t)
	out := newBox()
	out.add(100)
	u, _ := run(t, m.address, newBoard(), out, nil)
	eventually(t, "the absent broker is noticed", func() bool { return u.Health().Err != nil })
	total := 100
	for range 4 {
		m.start()
		from := out.left()
		out.add(500)
		total += 500
		eventually(t, "some get through", func() bool { return out.left() < from+450 })
		m.kill()
	}
	m.start()
	out.add(50)
	total += 50
	eventually(t, "all get through", func() bool { return out.left() == 0 })
	var got []string
	for _, found := range regexp.MustCompile(`Received PUBLISH from chaffinch-w .*'chaffinch/v1/w/event/(\d+)'`).FindAllStringSubmatch(m.log.String(), -1) {
		got = append(got, found[1])
	}
	t.Logf("%d messages over 4 kills of the broker, %d came twice", total, inOrder(t, got, total))
}

// A token of the client library is no acknowledgement when a connection is
// cut at the wrong moment. Duplicates show that the moment was hit.
func TestNothingIsLostWhenAcknowledgementsAre(t *testing.T) {
	noLeaks(t)
	m := newMosquitto(t)
	m.start()
	sub := subscribe(t, m.address, topics.Event()+"/#")
	m.subscribed()
	through := newCutter(t, m.address, 8)
	out := newBox()
	const n = 150
	out.add(n)
	run(t, through.Addr().String(), newBoard(), out, func(u *Uplink) { u.shortest = 5 * time.Millisecond })
	eventually(t, "all get through", func() bool { return out.left() == 0 })
	var got []string
	eventually(t, "the receiver has the last", func() bool {
		return sub.has(fmt.Sprintf("0 %s/%d payload %d", topics.Event(), n, n))
	})
	for _, line := range sub.all() {
		got = append(got, line[strings.LastIndex(line, " ")+1:])
	}
	again := inOrder(t, got, n)
	t.Logf("%d connections cut, %d messages came twice", through.cut.Load(), again)
	if through.cut.Load() == 0 || again == 0 {
		t.Error("no acknowledgement was lost: nothing was tested")
	}
}

func TestRetainedTopicsFollowTheBoard(t *testing.T) {
	noLeaks(t)
	m := newMosquitto(t)
	m.start()
	// An alert that a run before this one left behind.
	left := dialRaw(t, m.address)
	left.ask(connect(4, clean, "before"))
	left.ask(packet(0x33, text(topics.Alert("bus-errors", "")), []byte{0, 1}, []byte("old")))
	sub := subscribe(t, m.address, "chaffinch/v1/#")
	eventually(t, "the old alert", func() bool { return sub.has("1 chaffinch/v1/w/alert/bus-errors old") })

	board := newBoard()
	board.Apply(event(1, "rotor-slowing", detect.Raised), []byte("p1"))
	through := newCutter(t, m.address, 0)
	_, stop := run(t, through.Addr().String(), board, nil, nil)
	for _, line := range []string{"availability online", "alert/rotor-slowing p1", "alert/bus-errors "} {
		eventually(t, line, func() bool { return sub.has("0 chaffinch/v1/w/" + line) })
	}
	board.Apply(event(2, "engine-overload", detect.Raised), []byte("p2"))
	live, _ := board.Live(publish.Moment{State: &machine.State{}})
	for _, line := range []string{"alert/engine-overload p2", "live " + string(live.Payload)} {
		eventually(t, line, func() bool { return sub.has("0 chaffinch/v1/w/" + line) })
	}

	// An alert ends and one is raised while the broker is away.
	through.Listener.Close()
	through.drop()
	eventually(t, "the last will", func() bool { return sub.has("0 chaffinch/v1/w/availability offline") })
	board.Apply(event(1, "rotor-slowing", detect.Ended), nil)
	board.Apply(event(3, "bus-silent", detect.Raised), []byte("p3"))
	stop()
	u, stop := run(t, m.address, board, nil, nil)
	for _, line := range []string{"alert/bus-silent p3", "alert/rotor-slowing "} {
		eventually(t, line, func() bool { return sub.has("0 chaffinch/v1/w/" + line) })
	}
	if h := u.Health(); !h.Connected || h.Err != nil {
		t.Errorf("health %+v, want connected", h)
	}

	stop() // a clean end, at which a broker sends no will
	late := subscribe(t, m.address, "chaffinch/v1/#")
	want := []string{"1 chaffinch/v1/w/alert/bus-silent p3", "1 chaffinch/v1/w/alert/engine-overload p2",
		"1 chaffinch/v1/w/availability offline", "1 chaffinch/v1/w/live " + string(live.Payload)}
	eventually(t, "all that is retained", func() bool { return len(late.all()) >= len(want) })
	got := late.all()
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("retained at the end: %q, want %q", got, want)
	}
}

func TestAlertsAreClearedThatEndedWhileAway(t *testing.T) {
	noLeaks(t)
	m := newMosquitto(t)
	m.start()
	sub := subscribe(t, m.address, "chaffinch/v1/#")
	m.subscribed()
	through := newCutter(t, m.address, 0)
	board := newBoard()
	board.Apply(event(1, "rotor-slowing", detect.Raised), []byte("p1"))
	run(t, through.Addr().String(), board, nil, nil)
	eventually(t, "the broker has told what it had", func() bool { return strings.Contains(m.log.String(), "Received UNSUBSCRIBE") })
	board.Apply(event(2, "bus-silent", detect.Raised), []byte("p2"))
	eventually(t, "alert", func() bool { return sub.has("0 chaffinch/v1/w/alert/bus-silent p2") })
	through.drop()
	board.Apply(event(1, "rotor-slowing", detect.Ended), nil)
	board.Apply(event(2, "bus-silent", detect.Ended), nil)
	for _, line := range []string{"alert/rotor-slowing ", "alert/bus-silent "} {
		eventually(t, line, func() bool { return sub.has("0 chaffinch/v1/w/" + line) })
	}
}

// What a run before this one left on the topics of alerts and of the prompt is
// not true any more.
func TestWhatAnEarlierRunRetainedIsCleared(t *testing.T) {
	noLeaks(t)
	pub := outside.Tool(t, "mosquitto_pub")
	m := newMosquitto(t)
	m.start()
	host, port, _ := strings.Cut(m.address, ":")
	for _, topic := range []string{"alert/rotor-slowing", "prompt", "note"} {
		if err := exec.Command(pub, "-h", host, "-p", port, "-r", "-t", "chaffinch/v1/w/"+topic, "-m", "old").Run(); err != nil {
			t.Fatal(err)
		}
	}
	sub := subscribe(t, m.address, "chaffinch/v1/#")
	eventually(t, "what is retained", func() bool { return len(sub.all()) == 3 })
	run(t, m.address, newBoard(), nil, nil)
	for _, topic := range []string{"alert/rotor-slowing", "prompt"} {
		eventually(t, topic+" is cleared", func() bool { return sub.has("0 chaffinch/v1/w/" + topic + " ") })
	}
	if sub.has("0 chaffinch/v1/w/note ") {
		t.Error("a topic that we retain nothing on was cleared")
	}
}

// quietSession takes everything, and fails when it is told to.
type quietSession struct {
	got  *[]string
	gone chan struct{}
}

func (s quietSession) publish(_ context.Context, m publish.Message) error {
	*s.got = append(*s.got, string(m.Payload))
	return nil
}
func (s quietSession) sweep(context.Context, ...string) ([]string, error) { return nil, nil }
func (s quietSession) lost() <-chan struct{}                              { return s.gone }
func (s quietSession) close()                                             {}

func TestANightWithoutABroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := newBox()
		var attempts atomic.Int64
		var back atomic.Bool
		var got []string
		_, stop := run(t, "", newBoard(), out, func(u *Uplink) {
			u.shortest = shortestPause
			u.connect = func(context.Context) (session, error) {
				attempts.Add(1)
				if !back.Load() {
					return nil, errors.New("refused")
				}
				return quietSession{&got, make(chan struct{})}, nil
			}
		})
		for range 10 {
			time.Sleep(time.Hour)
			out.add(1)
		}
		// 45 to 60 s apart.
		if n := attempts.Load(); n < 600 || n > 810 {
			t.Errorf("%d attempts in 10 h, want 600 to 810", n)
		}
		back.Store(true)
		time.Sleep(time.Minute)
		synctest.Wait()
		if want := []string{"online", "payload 1", "payload 2"}; len(got) != 11 || !slices.Equal(got[:3], want) {
			t.Errorf("sent %q, want online and then ten messages in order", got)
		}
		out.add(1)
		synctest.Wait()
		if len(got) != 12 {
			t.Errorf("a new message waits although the broker is there: %q", got)
		}
		stop()
		if got[len(got)-1] != "offline" {
			t.Errorf("last words %q, want offline", got[len(got)-1])
		}
	})
}

func TestTLSWaitsForTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var attempts atomic.Int64
		u, stop := run(t, "", newBoard(), nil, func(u *Uplink) {
			u.opts.Server.Broker = "mqtts://broker"
			began := time.Now()
			u.opts.ClockSet = func() bool { return time.Since(began) > time.Hour }
			u.connect = func(context.Context) (session, error) {
				attempts.Add(1)
				return nil, errors.New("refused")
			}
		})
		time.Sleep(59 * time.Minute)
		if n := attempts.Load(); n != 0 || u.Health().Waiting == "" {
			t.Errorf("%d attempts before the clock was set, health %+v", n, u.Health())
		}
		time.Sleep(2 * time.Minute)
		if n := attempts.Load(); n == 0 || u.Health().Waiting != "" {
			t.Errorf("%d attempts after the clock was set, health %+v", n, u.Health())
		}
		stop()
	})
}

func TestLiveValuesMayBeRarer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, test := range []struct {
			every time.Duration
			want  int
		}{{0, 60}, {time.Second, 60}, {10 * time.Second, 6}} {
			var l liveSent
			n := 0
			for i := range 60 {
				for range 2 { // looked at more often than it changes
					if l.due(publish.Message{Payload: fmt.Append(nil, i)}, test.every) {
						n++
					}
				}
				time.Sleep(time.Second)
			}
			if n != test.want {
				t.Errorf("every %v: %d messages a minute, want %d", test.every, n, test.want)
			}
		}
	})
}

// counted is a session that takes everything.
type counted struct {
	session
	sent []string
}

func (c *counted) publish(_ context.Context, m publish.Message) error {
	c.sent = append(c.sent, m.Topic)
	return nil
}

// What has ended is cleared once, and not again with each change of the board.
func TestWhatHasEndedIsClearedOnce(t *testing.T) {
	m := mirror{known: map[string]bool{"alert/old": true}, sent: map[string][]byte{}}
	s := &counted{}
	for range 3 {
		if err := m.sync(t.Context(), s, []publish.Message{{Topic: "availability", Payload: []byte("online")}}); err != nil {
			t.Fatal(err)
		}
	}
	if got := strings.Join(s.sent, " "); got != "availability alert/old" {
		t.Errorf("sent %s", got)
	}
}
