package core

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/internal/problem"
	"chaffinch/publish"
)

func input(t testing.TB, name, body string) publish.Input {
	t.Helper()
	in, err := publish.ParseInput(name, []byte(body))
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// beat is a core that hears an engine ten times a second, from a stamp on.
type beat struct {
	t     *testing.T
	core  *Core
	stamp int64
	taken []string // "input at event time"
}

func newBeat(t *testing.T, out Outputs) *beat {
	b := &beat{t: t, stamp: 1_000_000_000_050_000_000}
	out.Input = func(told Told) {
		b.taken = append(b.taken, fmt.Sprintf("%s %.1f", told.Input.Name(), told.At.Seconds()))
	}
	c, err := New(config.Default(), out)
	if err != nil {
		t.Fatal(err)
	}
	b.core = c
	return b
}

// hear plays frames for a time.
func (b *beat) hear(d time.Duration) {
	for end := b.stamp + int64(d); b.stamp < end; b.stamp += int64(50 * time.Millisecond) {
		f := canbus.Frame{Stamp: b.stamp, ID: 0x0CF00400, Len: 8, Data: [8]byte{0x20, 0x7D, 0x87, 0x48, 0x14, 0x00, 0xF0, 0x87}, Flags: canbus.Extended}
		b.core.Frame(&f)
	}
}

// When inputs are taken: event time 0 is the first frame, steps are at tenths of
// a second.
func TestWhenInputsAreTaken(t *testing.T) {
	in := input(t, "check", `{"sees":[{"condition":"lodged","is":true}]}`)
	second := int64(time.Second)
	for _, c := range []struct {
		name string
		do   func(b *beat, first int64)
		want string
	}{
		{"behind the first step that is not before it", func(b *beat, first int64) {
			b.core.Tell(first+second/4, in, nil)
			b.hear(time.Second)
		}, "check 0.3"},
		{"at a step", func(b *beat, first int64) {
			b.core.Tell(first+second/10*4, in, nil)
			b.hear(time.Second)
		}, "check 0.4"},
		{"one from before the log, at its first step", func(b *beat, first int64) {
			b.core.Tell(first-second, in, nil)
			b.hear(time.Second)
		}, "check 0.0"},
		{"two in the order of their stamps", func(b *beat, first int64) {
			b.core.Tell(first+second/2, in, nil)
			b.core.Tell(first+second/4, in, nil)
			b.hear(time.Second)
		}, "check 0.3 check 0.5"},
		{"in a silence, behind the last step before it", func(b *beat, first int64) {
			b.core.Tell(first+second*300, in, nil)
			b.hear(time.Second)
			b.stamp += 600 * second
			b.hear(time.Second)
		}, "check 60.9"}, // a minute of silence is stepped through
		{"at once, where nothing steps", func(b *beat, first int64) {
			b.hear(time.Second)
			b.core.Tell(first+second*300, in, nil)
			b.core.TakeWaiting()
			b.core.TakeWaiting()
		}, "check 0.9"},
		{"before anything was heard", func(b *beat, first int64) {
			b.core.Tell(first, in, nil)
			b.core.TakeWaiting()
			b.hear(time.Second)
		}, "check 0.0"},
		{"none for after the end", func(b *beat, first int64) {
			b.core.Tell(first+second*300, in, nil)
			b.hear(time.Second)
			b.core.Finish()
		}, ""},
		{"a script in seconds from the first frame", func(b *beat, _ int64) {
			script, err := ReadScript("s", strings.NewReader(`{"time":0.25,"check":{"sees":[{"condition":"lodged","is":true}]}}`))
			if err != nil {
				t.Fatal(err)
			}
			b.core.Follow(script, nil)
			b.hear(time.Second)
		}, "check 0.3"},
	} {
		b := newBeat(t, Outputs{})
		c.do(b, b.stamp)
		if got := strings.Join(b.taken, " "); got != c.want {
			t.Errorf("%s: taken %q, want %q", c.name, got, c.want)
		}
		if left := b.core.Waiting(); (left > 0) != (c.want == "") {
			t.Errorf("%s: %d wait", c.name, left)
		}
	}
}

func TestWhatInputsAnswer(t *testing.T) {
	b := newBeat(t, Outputs{})
	b.core.Boot = 7
	b.hear(time.Second)
	for _, c := range []struct {
		name, body string
		is         func(publish.Reply, error) bool
	}{
		{"acknowledge", `{"event":"e7-1"}`, gone},
		{"acknowledge", `{"event":"e6-1"}`, gone},
		{"answer", `{"prompt":"p7-1","reply":"done"}`, gone},
		{"check", `{"tank":{"broken":"some"}}`, func(r publish.Reply, err error) bool {
			return err == nil && strings.HasPrefix(r.Text, "Tank sample:") && r.Ground == nil
		}},
		{"check", `{"ground":{"places":[{"where":"pan","kernels":300,"area_m2":0.5}],"cut_width_m":9,"discharge_width_m":6,"yield_t_ha":7}}`,
			func(r publish.Reply, err error) bool { return err == nil && r.Ground != nil && r.Ground.Machine.Known }},
		// The default machine has no cut width.
		{"check", `{"ground":{"places":[{"where":"pan","kernels":300,"area_m2":0.5}],"discharge_width_m":6}}`, wrong},
		{"setup", `{"crop":"grass"}`, wrong},
		{"setup", `{"crop":"maize","limits":{"rotor_speed_rpm":{"max":900}}}`, func(_ publish.Reply, err error) bool { return err == nil }},
	} {
		told := 0
		b.core.Tell(b.stamp, input(t, c.name, c.body), func(r publish.Reply, err error) {
			told++
			if !c.is(r, err) {
				t.Errorf("%s %s: %+v %v", c.name, c.body, r, err)
			}
		})
		b.hear(time.Second)
		if told != 1 {
			t.Errorf("%s %s: answered %d times", c.name, c.body, told)
		}
	}
	if got := strings.Join(b.taken, ","); strings.Count(got, "check") != 2 || strings.Count(got, "setup") != 1 || strings.Contains(got, "answer") {
		t.Errorf("taken %s", got)
	}
	now := b.core.SetupNow()
	if now.Crop != "maize" || now.Header != "grain" || *now.Limits["rotor_speed_rpm"].Max != 900 || !slices.Contains(now.Crops, "wheat") || now.ThousandKernelG < 200 {
		t.Errorf("%+v", now)
	}
}

func gone(_ publish.Reply, err error) bool { return errors.Is(err, publish.ErrGone) }
func wrong(_ publish.Reply, err error) bool {
	var p *problem.Problem
	return errors.As(err, &p)
}

// What is set up and remembered in a run holds in the next.
func TestTheNextRunRemembers(t *testing.T) {
	first := newBeat(t, Outputs{})
	first.hear(time.Second)
	first.core.Tell(first.stamp, input(t, "setup", `{"crop":"barley","field":"North","targets":{"separation-loss":30},"limits":{"fan_speed_rpm":{"min":500}}}`), nil)
	first.hear(time.Second)
	notes := 0
	next := newBeat(t, Outputs{Note: func(*advise.Note) { notes++ }})
	if !next.core.Remember(first.core.Memory(), first.core.Set(), time.Hour) {
		t.Fatal("it came too late")
	}
	got, want := fmt.Sprintf("%+v", next.core.SetupNow()), fmt.Sprintf("%+v", first.core.SetupNow())
	if strip(got) != strip(want) || next.core.SetupNow().Field != "North" || len(next.core.SetupNow().Targets) != 1 {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// Whoever sets up chooses among what there is.
	if now := next.core.SetupNow(); !slices.Contains(now.Headers, "flex") || !slices.Contains(now.Levers, "reel") || !slices.Contains(now.Crops, "wheat") {
		t.Errorf("there is to choose %v, %v, %v", now.Headers, now.Levers, now.Crops)
	}
	// A crop that is no more is no reason to stop.
	grass := "grass"
	third := newBeat(t, Outputs{})
	if !third.core.Remember(advise.Memory{}, publish.Setup{Crop: &grass}, -1) || third.core.SetupNow().Crop != "wheat" {
		t.Errorf("%+v", third.core.SetupNow())
	}
}

// strip takes addresses out of a print.
func strip(s string) string {
	var out strings.Builder
	for _, field := range strings.Fields(s) {
		if !strings.Contains(field, "0x") {
			out.WriteString(field)
		}
	}
	return out.String()
}

// A target that is set reaches the alarm, and an alarm can be acknowledged.
func TestATargetReachesTheAlarm(t *testing.T) {
	s, frames, _ := quietDay(t, 0.25)
	raised := func(body string) (n int, changes []string) {
		var c *Core
		c, err := New(pretend(t, s), Outputs{Event: func(e *detect.Event) {
			if e.Kind != "separation-loss-high" {
				return
			}
			switch {
			case e.Phase == detect.Raised:
				n++
				for range 2 { // twice does no harm
					c.Tell(c.Stamp(e.Raised)+int64(time.Second), input(t, "acknowledge", fmt.Sprintf(`{"event":"e1-%d"}`, e.Number)), func(_ publish.Reply, err error) {
						if err != nil {
							t.Error(err)
						}
					})
				}
			case e.Acknowledged:
				changes = append(changes, e.Phase.String())
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		if body != "" {
			c.Tell(0, input(t, "setup", body), nil)
		}
		for i := range frames {
			f := frames[i]
			c.Frame(&f)
		}
		c.Finish()
		return n, changes
	}
	if n, _ := raised(""); n != 0 {
		t.Fatalf("raised %d times without a target", n)
	}
	if n, changes := raised(`{"targets":{"separation-loss":3}}`); n == 0 || len(changes) == 0 || changes[0] != "changed" {
		t.Errorf("with a target of 3 of 100 raised %d times, then %v", n, changes)
	}
}

func TestScripts(t *testing.T) {
	good := `# what the operator said
{"time":"2026-07-28T10:15:00Z","answer":{"prompt":"p1-1","reply":"done"}}

{"time":1800.5,"check":{"tank":{"broken":"some"}}}
`
	script, err := ReadScript("told.jsonl", strings.NewReader(good))
	if err != nil || len(script) != 2 || script[0].fromHere || script[0].at != time.Date(2026, 7, 28, 10, 15, 0, 0, time.UTC).UnixNano() ||
		!script[1].fromHere || script[1].at != 1800_500_000_000 {
		t.Fatalf("%+v, %v", script, err)
	}
	for _, c := range []struct{ line, says string }{
		{`{"answer":{"prompt":"p1-1","reply":"done"}}`, "there is no time"},
		{`{"time":null,"answer":{"prompt":"p1-1","reply":"done"}}`, "there is no time"},
		{`{"time":-1,"answer":{"prompt":"p1-1","reply":"done"}}`, "there is no time"},
		{`{"time":"yesterday","answer":{"prompt":"p1-1","reply":"done"}}`, "there is no time"},
		{`{"time":1}`, "0 parts"},
		{`{"time":1,"answer":{"prompt":"p1-1","reply":"yes"}}`, "is not known"},
		{`{"time":1,"answr":{}}`, `unknown field "answr"`},
		{`{"time":1,`, "unexpected"},
		{strings.Repeat("x", 100_000), "too long"},
	} {
		_, err := ReadScript("told.jsonl", strings.NewReader("\n"+c.line))
		if err == nil || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), "told.jsonl:") {
			t.Errorf("%.50s: %v, should say %q", c.line, err, c.says)
		}
	}
}
