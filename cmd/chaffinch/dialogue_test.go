package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
)

var update = flag.Bool("update", false, "write the golden dialogue anew")

// session is a make-believe combine whose rotor is too slow, and an operator who
// does what he is asked and looks at what he is asked to look at.
type session struct {
	t       *testing.T
	combine *virtual.Combine
	core    *core.Core
	log     bytes.Buffer // candump
	answers bytes.Buffer
	notes   bytes.Buffer
	lines   *core.Notes
	at      int64 // stamp of the newest frame
	later   []deed
}

// deed is something that the operator does at a stamp.
type deed struct {
	at int64
	do func()
}

func (s *session) clock() publish.Clock {
	return publish.Clock{Boot: 1, Wall: func(at signal.Instant) (time.Time, bool) { return time.Unix(0, s.core.Stamp(at)), true }}
}

func (s *session) hear(n *advise.Note) {
	s.lines.Note(n)
	after := func(d time.Duration, do func()) { s.later = append(s.later, deed{s.at + int64(d), do}) }
	switch n.Kind {
	case advise.PromptOpened:
		p := *n.Prompt
		after(20*time.Second, func() {
			if p.To != nil {
				_ = s.combine.Set(p.Lever, *p.To) // what the machine cannot he leaves
			}
			s.tell(publish.Input{Answer: &publish.Answer{Prompt: publish.PromptID(1, p.ID), Reply: "done"}})
		})
	case advise.CheckAsked:
		if n.Check.Check == advise.TankCheck {
			after(10*time.Second, func() {
				s.tell(publish.Input{Check: &publish.Check{Tank: &publish.Tank{Broken: "little", Trash: "none", Unthreshed: "none"}}})
			})
		}
	}
}

func (s *session) tell(in publish.Input) {
	s.core.Tell(s.at, in, func(_ publish.Reply, err error) {
		if err != nil && err != publish.ErrGone { // the bus showed it before he said so
			s.t.Errorf("%s: %v", in.Name(), err)
		}
	})
}

// wrote keeps an input as the daemon keeps it in the store.
func (s *session) wrote(told core.Told) {
	line, err := publish.AppendInput(nil, told.At, told.Input, s.clock())
	if err != nil {
		s.t.Error(err)
	}
	s.answers.Write(append(line, '\n'))
}

func (s *session) play() {
	frames := make([]canbus.Frame, 256)
	for done := false; !done; {
		var n int
		n, done = s.combine.Next(frames)
		for i := range frames[:n] {
			f := &frames[i]
			f.Stamp = f.Stamp / 1000 * 1000 // a candump log has microseconds
			s.at = f.Stamp
			s.core.Frame(f)
			for len(s.later) > 0 && s.later[0].at <= s.at {
				d := s.later[0]
				s.later = s.later[1:]
				d.do()
			}
		}
		if err := canbus.NewLogWriter(&s.log, []string{"can0"}).Write(frames[:n]); err != nil {
			s.t.Fatal(err)
		}
	}
	s.core.Finish()
	if err := s.lines.Close(); err != nil {
		s.t.Fatal(err)
	}
}

// A dialogue over a harvest is the same when its log is replayed with what the
// operator said, byte for byte; and it is the one that was read line by line.
func TestADialogueIsReplayed(t *testing.T) {
	folder := t.TempDir()
	scenario := virtual.Scenario{Crop: "wheat", Hours: 0.6, InCrop: true, Start: "2026-07-28T10:00:00Z"}
	usual := virtual.New(scenario, 3).Setting("rotor_speed")
	scenario.Settings = map[string]float64{"rotor_speed": 0.8 * usual}
	path := filepath.Join(folder, "chaffinch.toml")
	text := virtual.ConfigText(scenario) + "\n[alarm.separation-loss-high]\ntarget_pct = 22\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	s := &session{t: t, combine: virtual.New(scenario, 3)}
	var err error
	if s.core, err = core.New(cfg, core.Outputs{Note: s.hear, Input: s.wrote}); err != nil {
		t.Fatal(err)
	}
	s.lines = core.NewNotes(&s.notes, s.clock().Wall)
	s.play()

	log, answers := filepath.Join(folder, "day.log"), filepath.Join(folder, "answers.jsonl")
	notes, states := filepath.Join(folder, "notes.jsonl"), filepath.Join(folder, "states.jsonl")
	for name, b := range map[string]*bytes.Buffer{log: &s.log, answers: &s.answers} {
		if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r := chaffinch(nil, "replay", "--config", path, "--answers", answers, "--notes", notes, "--events", os.DevNull, "--states="+states, log)
	if r.code != exitDone {
		t.Fatalf("code %d: %s", r.code, r.err)
	}
	got, err := os.ReadFile(notes)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != s.notes.String() {
		t.Errorf("live\n%s\nreplayed\n%s", s.notes.String(), got)
	}
	if !strings.Contains(r.err, "advice: prompts ") {
		t.Errorf("the summary says nothing of advice:\n%s", r.err)
	}
	checkStates(t, states)
	dialogue := told(t, got)
	golden := filepath.Join("testdata", "dialogue.txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(dialogue), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if dialogue != string(want) {
		t.Errorf("the dialogue is\n%s\nbut should be\n%s\n(read it line by line; if it is as it should be: go test ./cmd/chaffinch -run ADialogue -update)", dialogue, want)
	}

	// Without the answers it is another one.
	if other := chaffinch(nil, "replay", "--quiet", "--config", path, "--notes", "-", "--events", os.DevNull, log); other.out == string(got) {
		t.Error("the answers change nothing")
	}
}

// told is a dialogue as a person reads it.
func told(t *testing.T, lines []byte) string {
	var out strings.Builder
	for line := range bytes.Lines(lines) {
		var m struct {
			At     time.Time
			Phase  string
			Kind   string
			Prompt *struct{ ID, Head, Reason, Risk, Closed string }
			Check  *struct{ Check, Text string }

			Verdict *struct{ Outcome, Text string }
			Setting *struct {
				Lever, Why string
				From, To   *float64
			}
			Remark *struct{ Text string }
		}
		if err := json.Unmarshal(line, &m); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		fmt.Fprintf(&out, "%s ", m.At.Format("15:04:05"))
		switch {
		case m.Prompt != nil && m.Phase == "opened":
			fmt.Fprintf(&out, "%s: %s. %s %s\n", m.Prompt.ID, m.Prompt.Head, m.Prompt.Reason, m.Prompt.Risk)
		case m.Prompt != nil:
			fmt.Fprintf(&out, "%s: %s\n", m.Prompt.ID, m.Prompt.Closed)
		case m.Check != nil:
			fmt.Fprintf(&out, "check %s: %s\n", m.Phase, m.Check.Text)
		case m.Verdict != nil:
			fmt.Fprintf(&out, "%s: %s\n", m.Verdict.Outcome, m.Verdict.Text)
		case m.Setting != nil && m.Setting.From != nil:
			fmt.Fprintf(&out, "%s from %g to %g: %s\n", m.Setting.Lever, *m.Setting.From, *m.Setting.To, m.Setting.Why)
		case m.Remark != nil:
			fmt.Fprintf(&out, "%s\n", m.Remark.Text)
		default:
			fmt.Fprintf(&out, "%s\n", m.Kind)
		}
	}
	return out.String()
}

// checkStates: the stretches follow one another, and they and the sums of the
// ledger add up to the clock.
func checkStates(t *testing.T, path string) {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	spent := map[string]float64{}
	total, next, ledger := 0.0, "", map[string]float64(nil)
	for line := range bytes.Lines(text) {
		var s struct {
			From, To string
			Seconds  float64
			Uptime   float64 `json:"uptime_s"`
			Ledger   map[string]float64
		}
		if err := json.Unmarshal(line, &s); err != nil || ledger != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if ledger = s.Ledger; ledger != nil {
			continue
		}
		if next != "" && s.From != next || s.Seconds <= 0 || total > 0 && s.Uptime-total > 0.11 {
			t.Errorf("%s behind %s at %.1f s", line, next, total)
		}
		spent[s.From] += s.Seconds
		total += s.Seconds
		next = s.To
	}
	if ledger == nil || ledger["cutting_s"] < 600 {
		t.Fatalf("%s", text)
	}
	sum := 0.0
	for name, v := range ledger {
		switch name {
		case "total_s", "unloading_on_the_go_s":
		default:
			sum += v
			if d := v - spent[strings.TrimSuffix(name, "_s")]; d > 0.05 || d < -0.05 {
				t.Errorf("%s: the ledger says %.1f s, the stretches differ by %.1f", name, v, d)
			}
		}
	}
	if d := ledger["total_s"] - sum; d > 0.05 || d < -0.05 || ledger["total_s"] < 0.6*3600-1 || ledger["total_s"] > 0.6*3600+1 {
		t.Errorf("the ledger: %v, sum %.1f", ledger, sum)
	}
}
