package phone

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"chaffinch/detect/advise"
)

// listener of the stream, as a browser has it.
type looker struct {
	t      testing.TB
	answer *http.Response
	lines  chan string
}

func look(t testing.TB, address string, cookie *http.Cookie) *looker {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	t.Cleanup(cancel)
	q, err := http.NewRequestWithContext(ctx, "GET", "http://"+address+api+"stream", nil)
	if err != nil {
		t.Fatal(err)
	}
	q.AddCookie(cookie)
	answer, err := (&http.Transport{}).RoundTrip(q)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { answer.Body.Close() })
	l := &looker{t: t, answer: answer, lines: make(chan string, 1000)}
	go func() {
		defer close(l.lines)
		for s := bufio.NewScanner(answer.Body); s.Scan(); {
			l.lines <- s.Text()
		}
	}()
	return l
}

// next is the next event, or "" when the stream has ended.
func (l *looker) next() (name, data string) {
	l.t.Helper()
	for {
		select {
		case line, more := <-l.lines:
			switch {
			case !more:
				return "", ""
			case strings.HasPrefix(line, "event: "):
				name = line[len("event: "):]
			case strings.HasPrefix(line, "data: "):
				data = line[len("data: "):]
			case strings.HasPrefix(line, ":"):
				name = line
			case line == "":
				return name, data
			}
		case <-time.After(5 * time.Second):
			l.t.Fatal("nothing comes")
		}
	}
}

func (l *looker) expect(name string, parts ...string) string {
	l.t.Helper()
	got, data := l.next()
	for got == ": beat" && name != got { // on a busy machine one may come before what is waited for
		got, data = l.next()
	}
	if got != name {
		l.t.Fatalf("event %q, want %q: %s", got, name, data)
	}
	for _, p := range parts {
		if !strings.Contains(data, p) {
			l.t.Errorf("%s has no %s: %s", name, p, data)
		}
	}
	return data
}

// each holds the elements of an array to a schema.
func each(t testing.TB, schema, array string) {
	t.Helper()
	for _, one := range splitArray(t, array) {
		fits(t, schema, one)
	}
}

func TestTheStreamTellsAllAndThenChanges(t *testing.T) {
	r := newRig(t)
	address := r.live()
	l := look(t, address, r.member(Look))
	if h := l.answer.Header; h.Get("Content-Type") != "text/event-stream" || h.Get("Cache-Control") != "no-store" {
		t.Errorf("headers %v", h)
	}
	fits(t, "Hello", l.expect("hello", `"boot":"7"`, `"version":"v0.9.0"`, `"time":"2026-07-28T12:00:00Z"`))
	l.expect("alerts", "[]")
	l.expect("prompt", "null")
	l.expect("checks", "[]") // no live values and no verdict yet

	r.opts.Board.Live(second(1))
	fits(t, "Live", l.expect("live", `"activity":"cutting"`))
	r.raise(1, "rotor-slowing")
	each(t, "Alert", l.expect("alerts", `"id":"e7-1"`, `"kind":"rotor-slowing"`))
	r.note(advise.Note{Number: 1, Kind: advise.PromptOpened, Prompt: &faster})
	fits(t, "Prompt", l.expect("prompt", `"id":"p7-3"`, `"head":"Raise rotor speed`))
	r.note(advise.Note{Number: 2, Kind: advise.CheckAsked, Check: &advise.CheckWanted{ID: 2, Check: "tank", Why: "change", Text: "Look"}})
	each(t, "Wanted", l.expect("checks", `"check":"tank"`))
	r.note(advise.Note{Number: 3, Kind: advise.VerdictGiven, Verdict: &advise.Verdict{Prompt: 3, Outcome: "better", Text: "Separation loss fell."}})
	fits(t, "Verdict", l.expect("verdict", `"outcome":"better"`))

	// Whoever comes now hears the same, in the promised order.
	late := look(t, address, r.member(Look))
	for _, name := range []string{"hello", "live", "alerts", "prompt", "verdict", "checks"} {
		late.expect(name)
	}
	closed := faster
	closed.Closed = "done"
	r.note(advise.Note{Number: 4, Kind: advise.PromptClosed, Prompt: &closed})
	r.end(1, "rotor-slowing")
	for _, one := range []*looker{l, late} {
		// Two changes at nearly the same time may be told together.
		seen := map[string]string{}
		for len(seen) < 2 {
			name, data := one.next()
			seen[name] = data
		}
		if seen["prompt"] != "null" || seen["alerts"] != "[]" {
			t.Errorf("at the end: %v", seen)
		}
	}
}

// How long it takes from the board to a browser on the same computer, while as
// many look on as may.
func TestHowSoonAChangeIsThere(t *testing.T) {
	r := newRig(t)
	address := r.live()
	var all []*looker
	for range mostStreams {
		all = append(all, look(t, address, r.member(Look)))
	}
	for _, l := range all {
		for range 4 {
			l.next()
		}
	}
	var took []time.Duration
	for n := range uint64(100) {
		began := time.Now()
		r.raise(n+1, fmt.Sprintf("kind-%d", n))
		for _, l := range all {
			l.expect("alerts")
			took = append(took, time.Since(began))
		}
	}
	slices.Sort(took)
	n := len(took)
	t.Logf("%d streams: p50 %v, p99 %v, longest %v", len(all), took[n/2], took[n*99/100], took[n-1])
	if took[n*99/100] > 200*time.Millisecond {
		t.Error("too late")
	}
}

func TestHeartbeat(t *testing.T) {
	r := newRig(t)
	r.limits.beat = 20 * time.Millisecond
	l := look(t, r.live(), r.member(Look))
	for range 4 {
		l.next()
	}
	for range 3 {
		if name, _ := l.next(); name != ": beat" {
			t.Errorf("%q", name)
		}
	}
}

func TestTheStreamOutlivesTheTimesOfRequests(t *testing.T) {
	r := newRig(t)
	r.limits.read, r.limits.write, r.limits.header = 50*time.Millisecond, 50*time.Millisecond, 50*time.Millisecond
	l := look(t, r.live(), r.member(Look))
	for range 4 {
		l.next()
	}
	time.Sleep(200 * time.Millisecond)
	r.raise(1, "rotor-slowing")
	l.expect("alerts", "e7-1")
}

func TestAStreamEndsWithItsDevice(t *testing.T) {
	r := newRig(t)
	l := look(t, r.live(), r.member(Look))
	l.expect("hello")
	r.devices.forget(r.devices.list()[0].ID)
	for name, _ := l.next(); name != ""; name, _ = l.next() {
	}
}

func TestHowManyStreams(t *testing.T) {
	r := newRig(t)
	address := r.live()
	first := r.member(Look)
	var own []*looker
	for range mostStreamsEach + 1 {
		own = append(own, look(t, address, first))
		own[len(own)-1].expect("hello")
	}
	// A phone that lost its oldest stream is not kept out by it.
	for name, _ := own[0].next(); name != ""; name, _ = own[0].next() {
	}
	for n := mostStreamsEach; n < mostStreams; n++ {
		look(t, address, r.member(Look)).expect("hello")
	}
	l := look(t, address, r.member(Look))
	if l.answer.StatusCode != 503 || l.answer.Header.Get("Retry-After") == "" {
		t.Errorf("one too many: status %d", l.answer.StatusCode)
	}
	if n := r.Health().Streams; n != mostStreams {
		t.Errorf("%d streams", n)
	}
	own[1].answer.Body.Close()
	for deadline := time.Now().Add(5 * time.Second); r.Health().Streams == mostStreams; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("a stream that is over keeps its place")
		}
	}
}

// A client that opens the stream and reads nothing is dropped, and meanwhile
// holds up neither the board nor another client.
func TestASlowReaderIsDropped(t *testing.T) {
	r := newRig(t)
	r.limits.chunk = 300 * time.Millisecond
	address := r.live()
	slow, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Close()
	_ = slow.(*net.TCPConn).SetReadBuffer(4 << 10)
	fmt.Fprintf(slow, "GET %sstream HTTP/1.1\r\nHost: %s\r\nCookie: %s=%s\r\n\r\n", api, address, cookieName, r.member(Look).Value)
	quick := look(t, address, r.member(Look))
	for range 4 {
		quick.next()
	}
	for r.Health().Streams < 2 {
		time.Sleep(time.Millisecond)
	}
	began, longest, n := time.Now(), time.Duration(0), 0
	for ; r.Health().Streams == 2; n++ {
		before := time.Now()
		r.opts.Board.Live(second(n))
		longest = max(longest, time.Since(before))
		if name, _ := quick.next(); name != "live" {
			t.Fatalf("the quick one hears %q", name)
		}
		if time.Since(began) > 20*time.Second {
			t.Fatal("the slow reader is not dropped")
		}
	}
	t.Logf("dropped after %d messages and %v; the board waited %v at most", n, time.Since(began).Round(time.Millisecond), longest.Round(time.Microsecond))
	if longest > 200*time.Millisecond {
		t.Errorf("the board waited %v", longest)
	}
}

// At the end of the program the streams end, and nothing is waited for.
func TestStreamsEndWithTheServer(t *testing.T) {
	r := newRig(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.serve(ctx, ln, nil) }()
	l := look(t, ln.Addr().String(), r.member(Look))
	l.expect("hello")
	before := time.Now()
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if took := time.Since(before); took > time.Second {
		t.Errorf("took %v", took)
	}
	for name, _ := l.next(); name != ""; name, _ = l.next() {
	}
}
