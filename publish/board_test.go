package publish

import (
	"slices"
	"strings"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

// sent describes a message in a few words.
func sent(all []Message) []string {
	var out []string
	for _, m := range all {
		s := m.Topic[len("chaffinch/v1/w/"):] + "=" + string(m.Payload)
		if m.Retain {
			s += " retained"
		}
		out = append(out, s)
	}
	return out
}

func TestAnAlertStandsWhileItsEventIsActive(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	step := func(name string, change func(*detect.Event), payload string, want ...string) {
		t.Helper()
		e := rotor()
		change(e)
		if got := sent(b.Apply(e, []byte(payload))); !slices.Equal(got, want) {
			t.Errorf("%s: sent %q, want %q", name, got, want)
		}
	}
	silent := func(e *detect.Event) { e.Number, e.Kind, e.Subject = 43, "signal-silent", "fan_speed_rpm" }
	step("raised", func(*detect.Event) {}, "p1", "event=p1", "alert/rotor-slowing=p1 retained")
	step("peak moved", func(e *detect.Event) { e.Phase = detect.Changed; e.Peak.Value = 800 }, "p2", "event=p2")
	step("acknowledged", func(e *detect.Event) { e.Phase, e.Acknowledged = detect.Changed, true }, "p2a",
		"event=p2a", "alert/rotor-slowing=p2a retained")
	step("another kind", silent, "p3", "event=p3", "alert/signal-silent/fan-speed-rpm=p3 retained")
	step("less urgent", func(e *detect.Event) { e.Phase, e.Priority, e.Acknowledged = detect.Changed, detect.Medium, true }, "p4",
		"event=p4", "alert/rotor-slowing=p4 retained")
	if got, want := sent(b.Retained()), []string{"availability=online retained", "alert/rotor-slowing=p4 retained",
		"alert/signal-silent/fan-speed-rpm=p3 retained"}; !slices.Equal(got, want) {
		t.Errorf("retained %q, want %q", got, want)
	}
	step("ended", func(e *detect.Event) { e.Phase = detect.Ended }, "p5", "event=p5", "alert/rotor-slowing= retained")
	step("ended again", func(e *detect.Event) { e.Phase = detect.Ended }, "p6", "event=p6")
	if got := b.Alerts(); len(got) != 1 || got[0].ID != "e7-43" || got[0].Subject != "fan_speed_rpm" {
		t.Errorf("alerts %+v, want only that of the fan", got)
	}
}

func TestLiveGoesOutOnceASecondOfEventTime(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	n := 0
	for i := range 50 {
		if _, ok := b.Live(Moment{State: &machine.State{Now: signal.Instant(i) * signal.Instant(machine.Period)}}); ok {
			n++
		}
	}
	if n != 5 {
		t.Errorf("%d live messages in 5 s, want 5", n)
	}
	if _, ok := b.Live(Moment{State: &machine.State{Now: -100e9}}); !ok {
		t.Error("no live message after the clock of the frames went back")
	}
}

func TestWatchTellsOfEachChange(t *testing.T) {
	b := NewBoard(NewTopics("w"), synced)
	closed := func(c <-chan struct{}) bool {
		select {
		case <-c:
			return true
		default:
			return false
		}
	}
	w := b.Watch()
	if closed(w) {
		t.Fatal("told of a change before there was one")
	}
	b.Apply(rotor(), nil)
	if !closed(w) || closed(b.Watch()) {
		t.Error("not told of a change once")
	}
}

func BenchmarkLive(b *testing.B) {
	board := NewBoard(NewTopics("w"), synced)
	m := moment()
	b.ReportAllocs()
	for b.Loop() {
		m.State.Now += signal.Instant(LiveEvery)
		board.Live(m)
	}
}

// A topic is short whatever the machine is called.
func TestALongNameMakesAShortTopic(t *testing.T) {
	if got := NewTopics(strings.Repeat("a long name ", 100)).Machine(); len(got) > longestName+1 {
		t.Errorf("%d letters", len(got))
	}
}
