package phone

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
	"chaffinch/publish"
)

func TestWhatIsRead(t *testing.T) {
	r := newRig(t)
	for n := range 90 {
		r.opts.Board.Live(second(n))
	}
	r.raise(1, "rotor-slowing")
	r.note(advise.Note{Number: 1, Kind: advise.PromptOpened, Prompt: &faster, At: signal.Instant(80 * time.Second)})
	cookie := r.member(SetUp)
	for _, c := range []struct {
		path  string
		parts []string
	}{
		{"me", []string{`"role":"setup"`, `"units":"metric"`, `"crop":"wheat"`, `"paired":true`, `"version":"v0.9.0"`}},
		{"history", []string{`"every_s":10`, `"cutting","cutting"`, `"fullness_pct":[null`, `"kind":"prompt"`}},
		{"history?minutes=1", []string{`"from":"2026-07-28T12:00:20Z"`}},
		{"day", []string{`{"items":[{"time":"2026-07-28T12:01:20Z","kind":"prompt"`, `"priority":"high"`}},
		{"setup", []string{`"headers":[]`, `"levers":[]`, `"crops":["barley","wheat"]`, `"limits":{}`, `"seat_adjustable":[]`, `"basis":"setup"`, `{"name":"ground_speed_kmh"`, `"age_ms":-1`}},
		{"downloads", []string{`[]`}},
		{"display-says", []string{`{"available":false,"found":[]}`}},
		{"healthz", []string{`{"ok":true}`}},
	} {
		status, body := r.ask("GET", api+c.path, cookie, "")
		if status != 200 {
			t.Errorf("%s: status %d: %s", c.path, status, body)
		}
		for _, part := range c.parts {
			if !strings.Contains(body, part) {
				t.Errorf("%s has no %s: %s", c.path, part, body)
			}
		}
	}
	for _, minutes := range []string{"0", "61", "-1", "x", "1e1", "99999999999999999999"} {
		if status, _ := r.ask("GET", api+"history?minutes="+minutes, cookie, ""); status != 400 {
			t.Errorf("%s minutes: status %d", minutes, status)
		}
	}
}

// The result of a ground count, as package publish tells it.
func TestCheckTellsWhatWasMadeOfIt(t *testing.T) {
	r := newRig(t)
	in, err := publish.ParseInput(publish.InputCheck, []byte(ground))
	if err != nil {
		t.Fatal(err)
	}
	_, counted, err := in.Check.Advise(publish.Usual{CutWidthM: 9, ThousandKernelG: 45})
	if err != nil {
		t.Fatal(err)
	}
	r.reply = publish.Reply{Text: "About 1 % is lost.", Ground: counted}
	status, body := r.ask("POST", api+"check", r.member(Answer), ground)
	if status != 200 || !strings.Contains(body, `"text":"About 1 % is lost."`) || !strings.Contains(body, `"kernels":180`) {
		t.Errorf("%d %s", status, body)
	}
}

const ground = `{"ground":{"places":[{"where":"header","kernels":60,"area_m2":0.25},{"where":"behind","kernels":120,"area_m2":0.25}],"discharge_width_m":2,"yield_t_ha":8}}`

func TestDownloads(t *testing.T) {
	r := newRig(t, func(o *Options) {
		o.Downloads = func() []Download {
			return []Download{
				{Name: "shift.csv", Words: "Samples of this shift", Type: "text/csv", Write: func(_ context.Context, w io.Writer) error {
					_, err := io.WriteString(w, "time,feed\n")
					return err
				}},
				{Name: "broken.csv", Words: "Half of it", Type: "text/csv", Write: func(_ context.Context, w io.Writer) error {
					_, _ = io.WriteString(w, "time,")
					return errors.New("the disk is gone")
				}},
			}
		}
	})
	cookie := r.member(Look)
	if _, list := r.ask("GET", api+"downloads", cookie, ""); !strings.Contains(list, `"href":"/api/v1/downloads/shift.csv"`) {
		t.Error(list)
	}
	w := httptest.NewRecorder()
	r.ServeHTTP(w, request("GET", api+"downloads/shift.csv", cookie, ""))
	if w.Code != 200 || w.Body.String() != "time,feed\n" || w.Header().Get("Content-Disposition") != `attachment; filename="shift.csv"` {
		t.Errorf("%d %q %v", w.Code, w.Body.String(), w.Header())
	}
	// What breaks off must not look whole.
	q, _ := http.NewRequest("GET", "http://"+r.live()+api+"downloads/broken.csv", nil)
	q.AddCookie(cookie)
	answer, err := http.DefaultClient.Do(q)
	if err == nil {
		_, err = io.ReadAll(answer.Body)
	}
	if err == nil {
		t.Error("half a file looks whole")
	}
}

func TestDisplaySays(t *testing.T) {
	var said []float64
	finder := &Finder{
		Says: func(_ context.Context, id signal.ID, value float64) error {
			if id != signal.RotorSpeed.ID {
				t.Errorf("signal %v", id)
			}
			said = append(said, value)
			return nil
		},
		Found: func(context.Context) []Found {
			return []Found{{Signal: "rotor_speed_rpm", Readings: len(said), Text: "Two more.", Candidates: []Candidate{{"PGN 65280", "[[map]]"}}}, {Signal: "fan_speed_rpm"}}
		},
	}
	r := newRig(t, func(o *Options) { o.Finder = finder })
	cookie := r.member(SetUp)
	for body, want := range map[string]int{
		`{"signal":"rotor_speed_rpm","value":820}`: 204, `{"signal":"rotor_speed_rpm","value":0}`: 204,
		`{"signal":"rotor_speed_rpm"}`: 400, `{"signal":"rotor","value":820}`: 400, `{"signal":"unloading","value":1}`: 400,
		`{"signal":"rotor_speed_rpm","value":1e999}`: 400, `{"signal":"rotor_speed_rpm","value":"820"}`: 400, `[]`: 400, `null`: 400, ``: 400,
	} {
		if status, answer := r.ask("POST", api+"display-says", cookie, body); status != want {
			t.Errorf("%s: status %d: %s", body, status, answer)
		}
	}
	if len(said) != 2 {
		t.Errorf("said %v", said)
	}
	if _, found := r.ask("GET", api+"display-says", cookie, ""); !strings.Contains(found, `"available":true`) || !strings.Contains(found, `"map":"[[map]]"`) || !strings.Contains(found, `"candidates":[]`) {
		t.Error(found)
	}
}
