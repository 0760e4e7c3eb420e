package phone

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

var noon = time.Date(2026, 7, 28, 12, 0, 0, 0, time.UTC)

// rig is a server on a board that the test fills.
type rig struct {
	*Server
	t     testing.TB
	clock *clock
	kept  *shelf
	log   *logText

	mu     sync.Mutex
	inputs []publish.Input
	reply  publish.Reply
	err    error // of the next inputs
}

// clock is moved by the test.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

// shelf keeps things in memory.
type shelf struct {
	mu  sync.Mutex
	all map[string][]byte
	err error
}

func (s *shelf) keep() Keep {
	return Keep{
		Load: func(name string) ([]byte, error) {
			s.mu.Lock()
			defer s.mu.Unlock()
			return s.all[name], nil
		},
		Save: func(name string, data []byte) error {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.err == nil {
				s.all[name] = append([]byte(nil), data...)
			}
			return s.err
		},
	}
}

func (s *shelf) get(name string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return string(s.all[name])
}

type logText struct {
	mu   sync.Mutex
	text strings.Builder
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

// dice is chance that is the same each time.
type dice struct {
	mu sync.Mutex
	n  uint64
}

func (d *dice) Read(b []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range b {
		d.n++
		var seed [8]byte
		binary.LittleEndian.PutUint64(seed[:], d.n)
		sum := sha256.Sum256(seed[:])
		b[i] = sum[0]
	}
	return len(b), nil
}

// dates are those of the board: instant 0 is noon.
var dates = publish.Clock{Boot: 7, Wall: func(at signal.Instant) (time.Time, bool) { return noon.Add(time.Duration(at)), true }}

func newRig(t testing.TB, change ...func(*Options)) *rig {
	t.Helper()
	r := &rig{t: t, clock: &clock{t: noon}, kept: &shelf{all: map[string][]byte{}}, log: &logText{}}
	board := publish.NewBoard(publish.NewTopics("west-2"), dates)
	board.SetSetup(publish.SetupNow{Crop: "wheat", Header: "grain", Crops: []string{"barley", "wheat"}, Units: "metric",
		Limits: map[string]publish.Limit{}, Targets: []publish.TargetNow{{Symptom: "returns", TargetPct: 30, Basis: "setup"}}})
	o := Options{
		Settings: DefaultSettings(), Board: board, Machine: "West 2", Version: "v0.9.0", Boot: 7,
		Keep: r.kept.keep(), Date: func() (time.Time, bool) { return r.clock.now(), true },
		Log: slog.New(slog.NewTextHandler(r.log, &slog.HandlerOptions{Level: slog.LevelDebug})), Now: r.clock.now, Random: &dice{},
	}
	o.Submit = func(_ context.Context, in publish.Input) (publish.Reply, error) {
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.err != nil {
			return publish.Reply{}, r.err
		}
		r.inputs = append(r.inputs, in)
		return r.reply, nil
	}
	for _, c := range change {
		c(&o)
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.Server = s
	r.strangers, r.paired, r.changes = newMeter(pace{1e6, 1e6}), newMeter(pace{1e6, 1e6}), newMeter(pace{1e6, 1e6})
	return r
}

// member pairs a device of a role; NoRole is a stranger without a cookie.
func (r *rig) member(role Role) *http.Cookie {
	r.t.Helper()
	if role == NoRole {
		return nil
	}
	token, _, err := r.devices.pair("phone of "+role.String(), role, r.date())
	if err != nil {
		r.t.Fatal(err)
	}
	return &http.Cookie{Name: cookieName, Value: token}
}

// host is how the tests call the computer.
const host = "192.168.7.1:8080"

// request is one as a browser makes it on the page.
func request(method, path string, cookie *http.Cookie, body string) *http.Request {
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	q := httptest.NewRequest(method, "http://"+host+path, in)
	q.RemoteAddr = "192.168.7.20:40000"
	if method == http.MethodPost {
		q.Header.Set("Origin", "http://"+host)
		q.Header.Set("Sec-Fetch-Site", "same-origin")
		q.Header.Set("Content-Type", "application/json")
	}
	if cookie != nil {
		q.AddCookie(cookie)
	}
	return q
}

// do makes a request, and holds what comes of it to the description of the API.
func (r *rig) do(q *http.Request) *http.Response {
	r.t.Helper()
	var body string
	if q.Body != nil && q.Body != http.NoBody {
		text, err := io.ReadAll(q.Body)
		if err != nil {
			r.t.Fatal(err)
		}
		body = string(text)
		q.Body = io.NopCloser(strings.NewReader(body))
	}
	w := httptest.NewRecorder()
	r.ServeHTTP(w, q)
	answer := w.Result()
	described(r.t, q, answer, w.Body.String())
	return answer
}

// ask makes a request and returns status and body.
func (r *rig) ask(method, path string, cookie *http.Cookie, body string) (int, string) {
	r.t.Helper()
	answer := r.do(request(method, path, cookie, body))
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// told is how often something was handed to the program.
func (r *rig) told() []publish.Input {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]publish.Input(nil), r.inputs...)
}

// live serves on the loopback until the test ends, and returns the address.
func (r *rig) live() string {
	r.t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.serve(ctx, ln, nil) }()
	r.t.Cleanup(func() {
		stop()
		select {
		case err := <-ended:
			if err != nil {
				r.t.Error(err)
			}
		case <-time.After(10 * time.Second):
			r.t.Error("the server does not end")
		}
	})
	return ln.Addr().String()
}

// What may be on the board.

func second(n int) publish.Moment {
	s := &machine.State{Now: signal.Instant(n) * signal.Instant(time.Second), Activity: machine.Cutting, Basis: "rotor turning"}
	return publish.Moment{State: s, Bus: publish.Bus{State: "ok", FramesPerS: 700}}
}

func (r *rig) raise(number uint64, kind string) {
	e := &detect.Event{Number: number, Kind: kind, Phase: detect.Raised, Priority: detect.High, Text: "Rotor slows: ease off"}
	r.opts.Board.Apply(e, publish.AppendEventMessage(nil, number, 0, e, dates))
}

func (r *rig) end(number uint64, kind string) {
	e := &detect.Event{Number: number, Kind: kind, Phase: detect.Ended, Priority: detect.High, Text: "Rotor slows: ease off"}
	r.opts.Board.Apply(e, publish.AppendEventMessage(nil, number+100, 0, e, dates))
}

func (r *rig) note(n advise.Note) {
	r.opts.Board.ApplyNote(&n, publish.AppendNoteMessage(nil, 200+n.Number, &n, dates))
}

var faster = advise.Prompt{ID: 3, Symptom: "separation-loss", Lever: "rotor_speed", Direction: "up", Unit: "rpm",
	Head: "Raise rotor speed by 30 rpm, to 850", Reason: "Separation loss is at 31 of 100.", Answers: []string{"done", "later", "not-possible"}}

// errorOf is the error in an answer.
func errorOf(t testing.TB, body string) (what, try string) {
	t.Helper()
	var e struct {
		Error struct{ What, Try string }
	}
	if err := json.Unmarshal([]byte(body), &e); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	return e.Error.What, e.Error.Try
}

// splitArray is the elements of a JSON array.
func splitArray(t testing.TB, text string) []string {
	t.Helper()
	var raw []json.RawMessage
	if err := json.Unmarshal([]byte(text), &raw); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	out := make([]string, len(raw))
	for i := range raw {
		out[i] = string(raw[i])
	}
	return out
}
