package publish

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
)

func f(v float64) *float64 { return &v }

func rotorPrompt() *advise.Prompt {
	return &advise.Prompt{
		ID: 3, Symptom: "separation-loss", Lever: "rotor_speed", Direction: "up", From: f(820), To: f(853.123), Unit: "rpm",
		Head: "Raise rotor speed by 30 rpm, to 850", Reason: "Separation loss is at 31 of 100, target 20.", Risk: "More broken grain.",
		Answers: []string{"done", "later", "not-possible"}, Opened: seconds(3600), Expires: seconds(3780),
	}
}

// notes are one of each kind.
func notes() map[string]*advise.Note {
	closed := rotorPrompt()
	closed.Closed = advise.ClosedDone
	at := seconds(3700)
	return map[string]*advise.Note{
		"prompt-opened": {Number: 1, At: seconds(3600), Kind: advise.PromptOpened, Prompt: rotorPrompt()},
		"prompt-closed": {Number: 2, At: seconds(3612), Kind: advise.PromptClosed, Prompt: closed},
		"verdict": {Number: 3, At: at, Kind: advise.VerdictGiven, Verdict: &advise.Verdict{
			Prompt: 3, Symptom: "separation-loss", Lever: "rotor_speed", Direction: "up", From: f(820), To: f(850), Unit: "rpm",
			Outcome: "better", By: "sensor", Before: f(31), After: f(19.456), ChangePct: f(-37.2), LowPct: f(-46), HighPct: f(-28.4),
			Text: "Separation loss fell by 37 %.", SettledS: 30, JudgedS: 70, Changed: seconds(3612), Judged: at,
		}},
		"verdict-own": {Number: 4, At: at, Kind: advise.VerdictGiven, Verdict: &advise.Verdict{
			Lever: "fan_speed", Direction: "up", Unit: "rpm", Outcome: "could not judge", Text: "It could not be judged.", PutBack: true,
			Changed: seconds(3612), Judged: at,
		}},
		"check-asked": {Number: 5, At: at, Kind: advise.CheckAsked, Check: &advise.CheckWanted{ID: 2, Check: "tank", Why: "change", Text: "Look at a sample from the tank", Prompt: 3, Asked: at}},
		"check-told": {Number: 6, At: at, Kind: advise.CheckTold, Taken: &advise.CheckTaken{ID: 2, At: at, Text: "Tank sample: broken grain some.",
			Check: advise.Check{
				Tank:    &advise.TankSample{Broken: advise.Some, Trash: advise.None},
				Returns: &advise.ReturnsSample{Mostly: advise.Heads},
				Ground:  &advise.GroundCount{MachineKgHa: 120.6, MachineSE: 9.04, MachineKnown: true, YieldKgHa: 7000, Kernels: 180, Enough: true, UnthreshedBehind: advise.Little},
				Sees:    []advise.Observation{{Condition: "straw-damp", Is: true}},
			}}},
		"note-setting": {Number: 7, At: at, Kind: advise.SettingChanged, Setting: &advise.Change{Lever: "rotor_speed", From: f(820), To: f(850), Unit: "rpm", Why: "prompt", Prompt: 3, Seen: true, At: at}},
		"note-targets": {Number: 8, At: at, Kind: advise.TargetsSet, Targets: []advise.Target{
			{Symptom: "separation-loss", Signal: "separation_loss_pct", Alarm: "separation-loss-high", TargetPct: 22.5, Basis: "ground-count", KgHaPerPoint: 3.4, AgeS: 12},
			{Symptom: "trash", Signal: "trash_pct", Alarm: "trash-high", TargetPct: 8, Basis: "tank-sample", Stale: true},
		}},
		"note-nothing-more": {Number: 9, At: at, Kind: advise.NothingMore, Remark: &advise.Remark{Symptom: "separation-loss", Text: `Nothing more to gain by "setting".`}},
	}
}

func TestAdviceHasItsForm(t *testing.T) {
	for name, n := range notes() {
		t.Run(name, func(t *testing.T) { golden(t, "advice-"+name, AppendNoteMessage(nil, 118, n, synced)) })
	}
	golden(t, "advice-clock-unset", AppendNoteMessage(nil, 118, notes()["prompt-opened"], unset))
}

// Every note has the envelope of an event message, in the same order.
func TestAdviceHasTheEnvelopeOfEvents(t *testing.T) {
	want := keys(t, AppendEventMessage(nil, 1, 0, rotor(), synced))[:7]
	for name, n := range notes() {
		if got := keys(t, AppendNoteMessage(nil, 1, n, synced)); !slices.Equal(got[:7], want) {
			t.Errorf("%s: keys %v, want %v", name, got, want)
		}
	}
}

// What stands on the topics, one thing after another.
func TestTheBoardHoldsTheOpenPrompt(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	all := notes()
	apply := func(name string) string {
		var out []string
		n := all[name]
		for _, m := range b.ApplyNote(n, AppendNoteMessage(nil, n.Number, n, synced)) {
			what := "full"
			if len(m.Payload) == 0 {
				what = "empty"
			}
			out = append(out, fmt.Sprintf("%s %s %d %v", strings.TrimPrefix(m.Topic, "chaffinch/v1/w/"), what, m.QoS, m.Retain))
		}
		return strings.Join(out, ", ")
	}
	retained := func() (topics string) {
		for _, m := range b.Retained() {
			topics += " " + strings.TrimPrefix(m.Topic, "chaffinch/v1/w/")
		}
		return topics
	}
	for _, step := range []struct{ name, sent, retained string }{
		{"check-asked", "check full 1 false", " availability"},
		{"prompt-opened", "prompt full 1 true", " availability prompt"},
		{"note-targets", "note full 1 false", " availability prompt"},
		{"prompt-closed", "prompt full 1 false, prompt empty 1 true", " availability"},
		{"note-setting", "note full 1 false", " availability"},
		{"verdict", "verdict full 1 false", " availability"},
	} {
		changed := b.Watch()
		if got := apply(step.name); got != step.sent {
			t.Errorf("%s: sent %q, want %q", step.name, got, step.sent)
		}
		select {
		case <-changed:
		default:
			t.Errorf("%s: nobody is woken", step.name)
		}
		if got := retained(); got != step.retained {
			t.Errorf("%s: retained %q, want %q", step.name, got, step.retained)
		}
		if open := step.name == "prompt-opened" || step.name == "note-targets"; (b.Prompt() != nil) != open {
			t.Errorf("%s: prompt %s", step.name, b.Prompt())
		}
	}
	if len(b.Checks()) != 1 || !strings.Contains(string(b.Verdict()), "better") {
		t.Errorf("checks %s, verdict %s", b.Checks(), b.Verdict())
	}
	if apply("check-told"); len(b.Checks()) != 0 {
		t.Errorf("checks %s", b.Checks())
	}
	if got := string(JoinPayloads([][]byte{[]byte("{}"), []byte("1")})); got != "[{},1]" || string(JoinPayloads(nil)) != "[]" {
		t.Error(got)
	}
}

func TestTheDayIsTheSameAfterARestart(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	var stored [][]byte
	raise, end := ended(), ended()
	raise.Phase = detect.Raised
	for i, e := range []*detect.Event{raise, end, rotor()} {
		payload := AppendEventMessage(nil, uint64(i), e.Raised, e, synced)
		stored = append(stored, payload)
		b.Apply(e, payload)
	}
	for _, name := range []string{"prompt-opened", "prompt-closed", "note-setting", "note-targets", "verdict", "check-asked", "check-told", "note-nothing-more"} {
		n := notes()[name]
		payload := AppendNoteMessage(nil, 10+n.Number, n, synced)
		stored = append(stored, payload)
		b.ApplyNote(n, payload)
	}
	lines := func(b *Board) string {
		var out strings.Builder
		for _, it := range b.Day(100) {
			fmt.Fprintf(&out, "%s %s %s %s: %s (%s)\n", it.Time.Format("15:04:05"), it.Kind, it.ID, it.State, it.Text, it.Detail)
		}
		return out.String()
	}
	const want = `13:01:40 note m7-19 nothing-more: Nothing more to gain by "setting". ()
13:01:40 check m7-16 told: Tank sample: broken grain some. ()
13:01:40 check c7-2 asked: Look at a sample from the tank ()
13:01:40 verdict m7-13 better: Separation loss fell by 37 %. ()
13:01:40 setting m7-17 prompt: rotor speed from 820 to 850 rpm ()
13:00:00 prompt p7-3 done: Raise rotor speed by 30 rpm, to 850 (Separation loss is at 31 of 100, target 20.)
13:00:00 alert e7-42 active: Rotor 9 % slow: ease off ()
13:01:40 alert e7-43 over: Engine 0: oil pressure low (SPN 100, FMI 1) (for 60 s)
`
	if got := lines(b); got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
	if got := b.Day(2); len(got) != 2 || len(b.Day(-1)) != 0 {
		t.Errorf("%+v", got)
	}
	again := NewBoard(NewTopics("w"), Clock{Boot: 8})
	again.Recall(stored, start)
	if got := lines(again); got != strings.Replace(want, "active:", "interrupted:", 1) {
		t.Errorf("after a restart\n%s", got)
	}
	again.Recall(append(stored, []byte("{"), []byte(`{"event":3}`), nil), start.Add(90*time.Minute))
	if got := again.Day(100); len(got) != 8 {
		t.Errorf("recalled twice: %d lines", len(got))
	}
	for since, want := range map[time.Duration]int{61 * time.Minute: 6, 90 * time.Minute: 0} {
		later := NewBoard(NewTopics("w"), Clock{Boot: 8})
		later.Recall(stored, start.Add(since))
		if got := later.Day(100); len(got) != want {
			t.Errorf("since %v: %d lines, want %d", since, len(got), want)
		}
	}
}

func TestHistoryIsTheLastHour(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	if h := b.History(20); h.From != nil || len(h.FullnessPct) != 0 {
		t.Errorf("%+v", h)
	}
	s := &machine.State{Activity: machine.Cutting, Feed: machine.Feed{Basis: machine.FromPower, Fullness: 50, FullnessKnown: true}}
	for at := range 2 * 3600 {
		s.Now = seconds(float64(at))
		switch {
		case at >= 7000 && at < 7030:
			s.Activity, s.Feed.FullnessKnown = machine.Turning, false
		default:
			s.Activity, s.Feed.FullnessKnown = machine.Cutting, true
			s.Feed.Fullness = signal.Percent(50 + at%10)
		}
		b.Live(Moment{State: s})
		if at == 7101 {
			n := notes()["check-asked"]
			n.At = s.Now
			b.ApplyNote(n, AppendNoteMessage(nil, 1, n, synced))
		}
	}
	h := b.History(20)
	if h.EveryS != 10 || len(h.FullnessPct) != 120 || len(h.Activity) != 120 || h.From == nil {
		t.Fatalf("%+v", h)
	}
	// The newest whole step ends at 7190 s: the last second is 7199.
	if want := start.Add(5990 * time.Second); h.From.Sub(want).Abs() > time.Second {
		t.Errorf("from %v, want %v", h.From, want)
	}
	unknown := 0
	for i, v := range h.FullnessPct {
		switch {
		case v == nil && h.Activity[i] == "turning":
			unknown++
		case v == nil || h.Activity[i] != "cutting" || *v != 55 && *v != 54: // mean of 50 to 59
			t.Errorf("step %d: %v %s", i, v, h.Activity[i])
		}
	}
	if unknown != 3 {
		t.Errorf("%d steps of turning", unknown)
	}
	if len(h.Marks) != 1 || h.Marks[0].Kind != "check" || h.Marks[0].AgoS != 7190-7101 {
		t.Errorf("marks %+v", h.Marks)
	}
	if len(b.History(1000).Activity) != 360 || len(b.History(-1).Activity) != 0 {
		t.Error("the history is not an hour")
	}
	if text, err := json.Marshal(h); err != nil || !strings.Contains(string(text), `"fullness_pct":[55`) {
		t.Errorf("%s %v", text[:80], err)
	}
	// A break of the stream's clock begins it anew.
	s.Now = seconds(9000)
	b.Live(Moment{State: s})
	if got := len(b.History(60).Activity); got != 0 {
		t.Errorf("%d steps after a break", got)
	}
}

func TestHeardTellsValueAndSource(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	m := moment()
	m.Route = func(r signal.Route) string { return fmt.Sprintf("route %d", r) }
	b.Live(m)
	all := b.Heard()
	if len(all) != signal.Count {
		t.Fatalf("%d signals", len(all))
	}
	got := map[string]Heard{}
	for _, h := range all {
		got[h.Name] = h
	}
	if h := got["ground_speed_kmh"]; h.Value == nil || *h.Value != 5.648 || h.Quality != "good" || h.Source != "route 0" || h.AgeMS != 100 {
		t.Errorf("%+v", h)
	}
	if h := got["rotor_speed_rpm"]; h.Value != nil || h.Quality != "stale" {
		t.Errorf("%+v", h)
	}
	if h := got["trash_pct"]; h.Quality != "missing" || h.AgeMS != -1 || h.Address != -1 || h.Source != "" {
		t.Errorf("%+v", h)
	}
}
