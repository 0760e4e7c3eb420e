package daemon

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/find"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/outside"
)

// browser is a phone that has opened the page of a running daemon.
type browser struct {
	t       *testing.T
	address string
	cookie  *http.Cookie
}

func (b *browser) ask(method, path, body string) (int, string) {
	b.t.Helper()
	q, err := http.NewRequest(method, "http://"+b.address+"/api/v1/"+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	if method == http.MethodPost {
		q.Header.Set("Origin", "http://"+b.address)
		q.Header.Set("Content-Type", "application/json")
	}
	if b.cookie != nil {
		q.AddCookie(b.cookie)
	}
	answer, err := http.DefaultClient.Do(q)
	if err != nil {
		b.t.Fatal(err)
	}
	defer answer.Body.Close()
	for _, c := range answer.Cookies() {
		b.cookie = c
	}
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// stream waits for an event of the stream that has a text in it.
func (b *browser) stream(event, has string) string {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.t.Context(), 20*time.Second)
	defer cancel()
	q, err := http.NewRequestWithContext(ctx, "GET", "http://"+b.address+"/api/v1/stream", nil)
	if err != nil {
		b.t.Fatal(err)
	}
	q.AddCookie(b.cookie)
	answer, err := http.DefaultClient.Do(q)
	if err != nil {
		b.t.Fatal(err)
	}
	defer answer.Body.Close()
	now := ""
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		if name, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
			now = name
		}
		if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok && now == event && strings.Contains(data, has) {
			return data
		}
	}
	b.t.Fatalf("no %s with %q: %v", event, has, lines.Err())
	return ""
}

var codeInLog = regexp.MustCompile(`code=(\d{6}) role=(\w+)`)

// withPage runs do with a phone that was paired with the code in the log,
// or with its cookie of an earlier run.
func (r *rig) withPage(cookie *http.Cookie, do func(*browser)) (role string) {
	r.t.Helper()
	b := &browser{t: r.t, address: r.cfg.Phone.Listen, cookie: cookie}
	ctx, stop := context.WithCancel(r.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.run(ctx) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			r.t.Error(err)
		}
	}()
	r.log.waitFor(r.t, "to pair a phone")
	m := codeInLog.FindStringSubmatch(r.log.String())
	if m == nil {
		r.t.Fatalf("no code in the log:\n%s", r.log.String())
	}
	if cookie == nil {
		if status, text := b.ask("POST", "pair", `{"code":"`+m[1]+`","name":"in the cab"}`); status != 200 {
			r.t.Fatalf("not paired: %d %s", status, text)
		}
	}
	do(b)
	return m[2]
}

// From the bus to the phone and back: live values, an alert that is
// acknowledged, the set-up, and all of it again after a restart without pairing.
func TestThePageTellsWhatTheMachineDoes(t *testing.T) {
	t.Parallel()
	page := func(c *config.Config) { c.Phone.Listen = outside.FreePort(t) }
	r := newRig(t, 20, page)
	var cookie *http.Cookie
	role := r.withPage(nil, func(b *browser) {
		b.stream("hello", `"boot":"1"`)
		b.stream("live", `"activity":"cutting"`)
		var alerts []struct{ Event struct{ ID string } }
		if err := json.Unmarshal([]byte(b.stream("alerts", `"id":"e1-`)), &alerts); err != nil || len(alerts) == 0 {
			t.Fatal(err, alerts)
		}
		if status, text := b.ask("POST", "acknowledge", `{"event":"`+alerts[0].Event.ID+`"}`); status != 204 && status != 409 {
			t.Errorf("acknowledge: %d %s", status, text)
		}
		if status, text := b.ask("POST", "acknowledge", `{"event":"e9-1"}`); status != 409 {
			t.Errorf("acknowledge what is gone: %d %s", status, text)
		}
		if status, text := b.ask("POST", "setup", `{"field":"west"}`); status != 204 {
			t.Errorf("setup: %d %s", status, text)
		}
		if _, text := b.ask("GET", "setup", ""); !strings.Contains(text, `"field":"west"`) || !strings.Contains(text, `"quality":"good"`) {
			t.Errorf("setup: %s", text)
		}
		if _, text := b.ask("GET", "day", ""); !strings.Contains(text, alerts[0].Event.ID) {
			t.Errorf("day: %s", text)
		}
		cookie = b.cookie
	})
	if role != "setup" {
		t.Errorf("the first phone may %q", role)
	}
	info, err := os.Stat(r.cfg.Store.Beside("phones"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("what is kept of phones: %v %v", info.Mode(), err)
	}
	again := newRig(t, 20, func(c *config.Config) { page(c); c.Store.Path = r.cfg.Store.Path })
	role = again.withPage(cookie, func(b *browser) {
		b.stream("hello", `"boot":"2"`)
		if status, text := b.ask("GET", "me", ""); status != 200 || !strings.Contains(text, `"name":"in the cab"`) {
			t.Errorf("after a restart: %d %s", status, text)
		}
	})
	if role != "answer" {
		t.Errorf("the next phone may %q", role)
	}
}

// Without a store phones pair and look all the same.
func TestThePageWithoutAStore(t *testing.T) {
	t.Parallel()
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, 20, func(c *config.Config) {
		c.Phone.Listen, c.Store.Path = outside.FreePort(t), filepath.Join(blocked, "store.db")
	})
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.run(ctx) }()
	defer func() { stop(); <-ended }() // it tells that the last events are not stored
	r.log.waitFor(t, "to pair a phone")
	b := &browser{t: t, address: r.cfg.Phone.Listen}
	code := codeInLog.FindStringSubmatch(r.log.String())[1]
	if status, text := b.ask("POST", "pair", `{"code":"`+code+`","name":"x"}`); status != 200 {
		t.Fatalf("%d %s", status, text)
	}
	b.stream("live", `"name":"not-recording"`)
}

// A certificate that is not there takes the page away and nothing else, and the
// health says so.
func TestThePageThatCannotBeServed(t *testing.T) {
	t.Parallel()
	r := newRig(t, 100, func(c *config.Config) {
		c.Phone.Listen, c.Phone.CertFile, c.Phone.KeyFile = outside.FreePort(t), "/nowhere/a.pem", "/nowhere/b.pem"
	})
	ctx, stop := context.WithCancel(t.Context())
	go func() {
		r.log.waitFor(t, "the page is not served")
		r.log.waitFor(t, "store open")
		time.Sleep(300 * time.Millisecond)
		stop()
	}()
	if err := r.run(ctx); err != nil {
		t.Error(err)
	}
}

func TestReplaceFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "phones")
	for _, text := range []string{"one", "two, which is longer", ""} {
		if err := replaceFile(path, []byte(text)); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != text {
			t.Errorf("%q %v", got, err)
		}
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(entries) != 1 {
		t.Errorf("left behind: %v %v", entries, err)
	}
	if err := replaceFile(filepath.Join(path, "x"), nil); err == nil {
		t.Error("a folder that is none")
	}
}

// What a make-believe display says of the separation loss leads to the field of
// the make-believe bus that carries it: PGN 65302, 16 bits, 0.01 % a step.
func TestTheFinderFinds(t *testing.T) {
	t.Parallel()
	scenario := virtual.DemoFor(0.4)
	scenario.Start = time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC).Format(time.RFC3339)
	combine := virtual.New(scenario, 3)
	var now, next int64
	f := newFinder(func() int64 { return now }, slog.New(slog.DiscardHandler))
	s := search{collector: find.NewCollector()}
	shown := 0.0
	for one := range combine.Frames() {
		now = one.Stamp
		if next == 0 {
			next = now + int64(90*time.Second)
		}
		if one.ID>>8&0xFFFF == 65302 {
			shown = math.Round(float64(binary.LittleEndian.Uint16(one.Data[:])) * 0.01)
		}
		s.collector.Feed(one)
		if s.due != 0 && now > s.due {
			f.look(&s)
		}
		if now > next && s.readings < 8 {
			next += int64(70 * time.Second)
			if err := f.says(t.Context(), signal.SeparationLoss.ID, shown); err != nil {
				t.Fatal(err)
			}
			f.take(&s, <-f.readings)
		}
	}
	all := f.found(t.Context())
	if len(all) != 1 || all[0].Readings != 8 || len(all[0].Candidates) == 0 {
		t.Fatalf("%+v", all)
	}
	t.Logf("%+v", all[0])
	if c := all[0].Candidates[0]; !strings.Contains(c.Map, "pgn = 65302\n") || !strings.Contains(c.Map, "scale = 0.01\n") || !strings.HasPrefix(c.Text, "PGN 65302 from ") {
		t.Errorf("%+v", c)
	}
	// A reading of another signal begins anew, and leaves what was found.
	if err := f.says(t.Context(), signal.FanSpeed.ID, 900); err != nil {
		t.Fatal(err)
	}
	f.take(&s, <-f.readings)
	if all := f.found(t.Context()); len(all) != 2 || all[1].Text != "1 of at least 3 readings. Take them at different values." || len(all[0].Candidates) == 0 {
		t.Errorf("%+v", all)
	}
}

// Frames that nobody waits for hold up nobody, and are not kept.
func TestTheFinderIsQuiet(t *testing.T) {
	var none *finder
	none.feed(make([]canbus.Frame, 3))
	f := newFinder(func() int64 { return 0 }, slog.New(slog.DiscardHandler))
	frames := make([]canbus.Frame, 10)
	f.feed(frames)
	if len(f.batches) != 0 {
		t.Error("it listens unasked")
	}
	if got := testing.AllocsPerRun(100, func() { f.feed(frames) }); got != 0 {
		t.Errorf("%v allocations while it does not listen", got)
	}
	if all := f.found(t.Context()); len(all) != 0 || !f.listening.Load() {
		t.Errorf("%v", all)
	}
	for range finderQueue + 5 {
		f.feed(frames)
	}
	if f.missed.Load() != 50 {
		t.Errorf("%d frames left out", f.missed.Load())
	}
	for range mostReadings {
		if err := f.says(t.Context(), signal.RotorSpeed.ID, 1); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.says(t.Context(), signal.RotorSpeed.ID, 1); err == nil {
		t.Error("too many were taken")
	}
}
