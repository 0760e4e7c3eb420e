package phonetest

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/problem"
	"chaffinch/publish"
	web "chaffinch/publish/phone"
)

// pageDir is the page as it is served.
const pageDir = "../../publish/phone/page"

// pairCode is the code that the fixture takes.
const pairCode = "482913"

// nextPhone is what it shows for one more phone.
const nextPhone = "http://192.168.7.1:8080/#pair=105577"

// program stands in for the program behind the page: what it tells is written
// by package publish, what it is told is read by it, as in the program.
type program struct {
	t    *testing.T
	addr string

	mu    sync.Mutex
	boot  uint64
	role  string
	units string
	crop  string
	// version of the program, and whether nobody knows the date.
	version string
	undated bool
	board   *publish.Board
	scene   scene
	start   time.Time // wall time of instant 0 of this run
	seq     uint64
	mute    bool // nothing at all is sent, though connections stay
	still   bool // heartbeats, but no live values
	inputs  []publish.Input
	says    []string
	values  []float64
	forgot  string

	server *http.Server
	stop   chan struct{}
	ended  sync.WaitGroup
	raised map[uint64]signal.Instant // by the alert's number
}

// serve starts a program whose machine is in the given scene.
func serve(t *testing.T, role string, sc scene) *program {
	p := &program{t: t, boot: 6, role: role, units: "metric", crop: "wheat", version: "0.9.0", scene: sc, addr: "127.0.0.1:0"}
	p.up()
	t.Cleanup(p.down)
	return p
}

// up starts a run: the boot is another one, all that was active is forgotten.
func (p *program) up() {
	p.t.Helper()
	listener, err := net.Listen("tcp", p.addr)
	for range 50 {
		if err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
		listener, err = net.Listen("tcp", p.addr)
	}
	if err != nil {
		p.t.Fatal(err)
	}
	p.addr = listener.Addr().String()
	p.renew()
	p.mu.Lock()
	p.stop = make(chan struct{})
	p.server = &http.Server{Handler: p.routes(), ReadHeaderTimeout: 10 * time.Second}
	server, stop := p.server, p.stop
	p.mu.Unlock()
	p.ended.Add(2)
	go func() { defer p.ended.Done(); _ = server.Serve(listener) }()
	go func() { defer p.ended.Done(); p.tick(stop) }()
}

// renew forgets all of the run before.
func (p *program) renew() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.boot++
	p.mute, p.still = false, false
	p.start = time.Now().Add(-past)
	p.board = publish.NewBoard(publish.NewTopics("west-2"), p.clock())
	p.board.SetSetup(setup)
	p.fillPast()
}

// down ends the run at once, as a crash does.
func (p *program) down() {
	p.mu.Lock()
	select {
	case <-p.stop:
	default:
		close(p.stop)
	}
	server := p.server
	p.mu.Unlock()
	_ = server.Close()
	p.ended.Wait()
}

func (p *program) url() string { return "http://" + p.addr + "/" }

func (p *program) clock() publish.Clock {
	start, undated := p.start, p.undated
	if undated {
		return publish.Clock{Boot: p.boot}
	}
	return publish.Clock{Boot: p.boot, Wall: func(at signal.Instant) (time.Time, bool) { return start.Add(time.Duration(at)), true }}
}

func (p *program) now() signal.Instant { return signal.Instant(time.Since(p.start)) }

// tick makes a live message each second.
func (p *program) tick(stop <-chan struct{}) {
	every := time.NewTicker(100 * time.Millisecond)
	defer every.Stop()
	for {
		p.mu.Lock()
		if !p.still {
			p.board.Live(p.scene.moment(p.now(), 0))
		}
		p.mu.Unlock()
		select {
		case <-stop:
			return
		case <-every.C:
		}
	}
}

// set changes what the machine does.
func (p *program) set(sc scene) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.scene = sc
}

// may is what phones that pair from now on may do.
func (p *program) may(role string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.role = role
}

func (p *program) silence(mute, still bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mute, p.still = mute, still
}

// event tells of an alert.
func (p *program) event(e detect.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seq++
	now := p.now()
	if e.Began == 0 {
		if p.raised == nil {
			p.raised = map[uint64]signal.Instant{}
		}
		if _, known := p.raised[e.Number]; !known {
			p.raised[e.Number] = now
		}
		e.Raised, e.Ended = p.raised[e.Number], now
		e.Began = e.Raised.Add(-2 * time.Second)
	}
	p.board.Apply(&e, publish.AppendEventMessage(nil, p.seq, now, &e, p.clock()))
}

// note tells what the adviser tells.
func (p *program) note(n advise.Note) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.tell(n)
}

func (p *program) tell(n advise.Note) {
	p.seq++
	if n.At == 0 {
		n.At = p.now()
	}
	p.board.ApplyNote(&n, publish.AppendNoteMessage(nil, p.seq, &n, p.clock()))
}

// told waits until so many inputs came from the page, and lists them.
func (p *program) told(n int) []publish.Input {
	p.t.Helper()
	for began := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		p.mu.Lock()
		all := append([]publish.Input(nil), p.inputs...)
		p.mu.Unlock()
		if len(all) >= n {
			return all
		}
		if time.Since(began) > patience {
			p.t.Fatalf("the page sent %d inputs, not %d", len(all), n)
		}
	}
}

func (p *program) forgotten() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.forgot
}

func (p *program) routes() http.Handler {
	mux := http.NewServeMux()
	files := http.FileServerFS(os.DirFS(pageDir))
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'")
		w.Header().Set("Cache-Control", "no-cache")
		files.ServeHTTP(w, r)
	})
	mux.HandleFunc("POST /api/v1/pair", p.pair)
	known := func(path string, h http.HandlerFunc) {
		mux.HandleFunc(path, func(w http.ResponseWriter, r *http.Request) {
			if _, err := r.Cookie("chaffinch"); err != nil {
				refuse(w, http.StatusUnauthorized, "this phone is not paired", "pair it with the code")
				return
			}
			if r.Method == http.MethodPost && (r.Header.Get("Sec-Fetch-Site") != "same-origin" || r.Header.Get("Content-Type") != "application/json") {
				refuse(w, http.StatusForbidden, "this does not come from the page", "use the page")
				return
			}
			h(w, r)
		})
	}
	known("GET /api/v1/me", func(w http.ResponseWriter, _ *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		reply(w, map[string]any{"role": p.role, "machine": "West 2", "version": p.version, "units": p.units, "crop": p.crop, "paired": true, "name": "My phone"})
	})
	known("GET /api/v1/stream", p.stream)
	known("GET /api/v1/history", func(w http.ResponseWriter, _ *http.Request) { reply(w, p.board.History(20)) })
	known("GET /api/v1/day", func(w http.ResponseWriter, _ *http.Request) { reply(w, map[string]any{"items": p.board.Day(100)}) })
	known("GET /api/v1/downloads", func(w http.ResponseWriter, _ *http.Request) {
		reply(w, []map[string]string{{"name": "shift.csv", "words": "Samples of this shift", "href": "/api/v1/download/shift.csv"}})
	})
	known("GET /api/v1/setup", func(w http.ResponseWriter, _ *http.Request) {
		reply(w, struct {
			publish.SetupNow
			Signals []publish.Heard `json:"signals"`
		}{p.board.Setup(), p.board.Heard()})
	})
	known("GET /api/v1/pairing", func(w http.ResponseWriter, r *http.Request) {
		reply(w, map[string]any{"code": "105577", "role": r.URL.Query().Get("role"), "url": nextPhone, "ends_s": 600})
	})
	known("GET /api/v1/pairing.png", func(w http.ResponseWriter, _ *http.Request) {
		picture, err := web.Code{URL: nextPhone}.PNG()
		if err != nil {
			p.t.Error(err)
		}
		w.Header().Set("Content-Type", "image/png")
		_, _ = w.Write(picture)
	})
	known("GET /api/v1/devices", func(w http.ResponseWriter, _ *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		all := []any{map[string]any{"id": "d1", "name": "My phone", "role": p.role, "this": true}}
		if p.forgot == "" {
			all = append(all, map[string]any{"id": "d2", "name": "Tablet in the shed", "role": "look", "this": false, "seen": "2026-07-28T12:00:00Z"})
		}
		reply(w, map[string]any{"devices": all})
	})
	known("POST /api/v1/forget", func(w http.ResponseWriter, r *http.Request) {
		var in struct{ Device string }
		_ = json.NewDecoder(r.Body).Decode(&in)
		p.mu.Lock()
		defer p.mu.Unlock()
		p.forgot = in.Device
		w.WriteHeader(http.StatusNoContent)
	})
	known("GET /api/v1/display-says", func(w http.ResponseWriter, _ *http.Request) { reply(w, p.found()) })
	known("POST /api/v1/display-says", p.displaySays)
	for _, name := range []string{publish.InputAcknowledge, publish.InputAnswer, publish.InputCheck, publish.InputSetup} {
		known("POST /api/v1/"+name, func(w http.ResponseWriter, r *http.Request) { p.take(w, r, name) })
	}
	return mux
}

func (p *program) pair(w http.ResponseWriter, r *http.Request) {
	var in struct{ Code, Name string }
	if json.NewDecoder(r.Body).Decode(&in) != nil || in.Code != pairCode {
		refuse(w, http.StatusForbidden, "that is not the code", "look at the computer's screen again")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: "chaffinch", Value: "token", Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 1e7})
	p.mu.Lock()
	defer p.mu.Unlock()
	reply(w, map[string]string{"role": p.role, "machine": "West 2"})
}

// take reads an input as the program does and does what the page must see of it.
func (p *program) take(w http.ResponseWriter, r *http.Request, name string) {
	body, _ := io.ReadAll(r.Body)
	in, err := publish.ParseInput(name, body)
	if err != nil {
		p.t.Errorf("the page sent a %s that cannot be: %s: %v", name, body, err)
		wrong(w, err)
		return
	}
	answer, err := p.submit(r.Context(), in)
	switch {
	case errors.Is(err, publish.ErrGone):
		refuse(w, http.StatusConflict, err.Error(), "")
	case err != nil:
		wrong(w, err)
	case in.Check != nil:
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(answer.Append(nil))
	default:
		w.WriteHeader(http.StatusNoContent)
	}
}

// submit does what the program does with an input, as far as the page sees it.
func (p *program) submit(_ context.Context, in publish.Input) (publish.Reply, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.inputs = append(p.inputs, in)
	switch {
	case in.Answer != nil && in.Answer.Reply != "put-back":
		if !strings.Contains(string(p.board.Prompt()), `"id":"`+in.Answer.Prompt+`"`) {
			return publish.Reply{}, publish.ErrGone
		}
		closed := faster
		closed.Closed = in.Answer.Reply
		p.tell(advise.Note{Kind: advise.PromptClosed, Prompt: &closed})
	case in.Check != nil:
		_, ground, err := in.Check.Advise(publish.Usual{CutWidthM: setup.CutWidthM, ThousandKernelG: setup.ThousandKernelG})
		return publish.Reply{Text: "Noted, and compared with the sensors.", Ground: ground}, err
	}
	return publish.Reply{}, nil
}

func (p *program) displaySays(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Signal string
		Value  float64
	}
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		p.t.Error(err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.says = append(p.says, in.Signal)
	p.values = append(p.values, in.Value)
	w.WriteHeader(http.StatusNoContent)
}

func (p *program) found() any {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.says) == 0 {
		return map[string]any{"available": true, "found": []any{}}
	}
	return map[string]any{"available": true, "found": []any{map[string]any{
		"signal": p.says[0], "readings": len(p.says), "text": "Two more readings would tell the first two apart.",
		"candidates": []any{map[string]any{"text": "PGN 65280 from 38, bytes 3 and 4, 0.125 rpm a bit: fits within 2 rpm", "map": "[[map]]\nsignal = \"rotor_speed_rpm\"\npgn = 65280\nstart_bit = 16\nlength = 16\nscale = 0.125"}},
	}}}
}

func reply(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

func refuse(w http.ResponseWriter, status int, what, try string) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(map[string]any{"error": map[string]string{"what": what, "try": try}})
}

func wrong(w http.ResponseWriter, err error) {
	var p *problem.Problem
	if errors.As(err, &p) {
		refuse(w, http.StatusBadRequest, p.What, p.Try)
		return
	}
	refuse(w, http.StatusBadRequest, err.Error(), "")
}
