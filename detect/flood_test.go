package detect

import (
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Ten alarms within ten minutes are a flood (ISA-18.2): from then on low ones
// are held back, urgent ones are not, and what still stands after the flood is
// raised then.
func TestFlood(t *testing.T) {
	s := newStorm()
	var codes []machine.Fault
	add := func(spn uint32, lamp machine.Lamp) {
		codes = append(codes, machine.Fault{SPN: spn, FMI: 3, Lamp: lamp, Since: s.now})
	}
	run := func(d time.Duration) (raised []string) {
		before := len(s.log)
		for range int(d / machine.Period) {
			s.machine.Faults(codes)
			s.step()
		}
		for _, e := range s.log[before:] {
			if e.Phase == Raised {
				raised = append(raised, e.Subject)
			}
		}
		return raised
	}
	for spn := range uint32(12) {
		add(100+spn, machine.NoLamp)
	}
	if got := run(time.Second); len(got) != 10 {
		t.Errorf("%d raised at once, want 10: %v", len(got), got)
	}
	if on, held := s.rules.Flooded(); !on || held != 2 {
		t.Errorf("flood %v, %d held back", on, held)
	}
	add(200, machine.StopLamp)
	if got := run(time.Second); len(got) != 1 || got[0] != "200-3@0" {
		t.Errorf("in the flood: %v", got)
	}
	if got := run(9 * time.Minute); len(got) != 0 {
		t.Errorf("raised in the flood: %v", got)
	}
	if got := run(2 * time.Minute); len(got) != 2 {
		t.Errorf("after the flood: %v", got)
	}
	if on, _ := s.rules.Flooded(); on {
		t.Error("the flood has no end")
	}
	if n := len(s.rules.Active()); n != 13 {
		t.Errorf("%d active, want 13", n)
	}
}

// A flood is over when fewer than five are left of its ten minutes, not before.
func TestAFloodEndsBelowFive(t *testing.T) {
	s := newStorm()
	var codes []machine.Fault
	run := func(add int, d time.Duration) {
		for range add {
			codes = append(codes, machine.Fault{SPN: uint32(100 + len(codes)), FMI: 3, Since: s.now})
		}
		for range int(d / machine.Period) {
			s.machine.Faults(codes)
			s.step()
		}
	}
	run(4, 5*time.Minute)
	run(6, 6*time.Minute)
	run(1, time.Minute)
	if on, held := s.rules.Flooded(); !on || held != 1 {
		t.Errorf("six of ten minutes ago are left: flood %t, %d held back", on, held)
	}
	run(0, 4*time.Minute)
	if on, _ := s.rules.Flooded(); on || len(s.rules.Active()) != 11 {
		t.Errorf("none is left: flood %t, %d active", on, len(s.rules.Active()))
	}
}

// A code cannot have been there before it was heard, nor an alarm end before its
// beginning.
func TestACodeOfTheFuture(t *testing.T) {
	s := newStorm()
	s.machine.Faults([]machine.Fault{{SPN: 100, FMI: 3, Since: s.now.Add(time.Hour)}})
	s.step()
	if len(s.log) != 1 || s.log[0].Began > s.log[0].Raised {
		t.Errorf("%+v", s.log)
	}
}

// A cause that is active explains what follows from it.
func TestExplained(t *testing.T) {
	d := desk{}
	d.active[rotorSlowing] = 1
	if !d.explained(feedDrop, 0) || d.explained(engineHot, 0) {
		t.Error("a slowing rotor explains a drop of feed and not a hot engine")
	}
	d.active[rotorSlowing], d.ended[rotorSlowing] = 0, 1000
	if now := signal.Instant(1000); !d.explained(feedDrop, now.Add(lingers-1)) || d.explained(feedDrop, now.Add(lingers)) {
		t.Error("a cause that has ended explains for five seconds, no longer")
	}
}

// Values that are sent only on change are silent when their sender is.
func TestOnChangeFollowsItsSender(t *testing.T) {
	s := newStorm()
	senderHeard := signal.Instant(0)
	s.machine.SenderHeard = func(signal.Source) signal.Instant { return senderHeard }
	s.machine.Apply(signal.Concave.ID, signal.Reading[float64]{Value: 20, Quality: signal.Good, OnChange: true, From: signal.Source{Address: 0x87}})
	step := func(senderLives bool) {
		s.machine.Heard(s.now)
		s.machine.Apply(signal.EngineSpeed.ID, signal.Reading[float64]{Value: 2000, At: s.now, Heard: s.now, Quality: signal.Good})
		if senderLives {
			senderHeard = s.now
		}
		s.step()
	}
	for range 10 * 120 {
		step(true)
	}
	if len(s.log) > 0 {
		t.Fatalf("two minutes without a change: %v", s.log)
	}
	for range 10 * 10 {
		step(false)
	}
	if len(s.log) != 1 || s.log[0].Kind != "signal-silent" || s.log[0].Subject != "concave_mm" {
		t.Errorf("ten seconds without the sender: %v", s.log)
	}
}
