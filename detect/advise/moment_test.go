package advise

import (
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// When work may be judged, and when a lever may be asked for that is set by
// hand.
func TestTheMoment(t *testing.T) {
	for _, c := range []struct {
		name             string
		change           func(s *machine.State)
		steady, standing bool
	}{
		{"cutting at a held speed", func(*machine.State) {}, true, false},
		{"just in the crop", func(s *machine.State) { s.InCrop = s.Now.Add(-5 * time.Second) }, false, false},
		{"unloading on the go", func(s *machine.State) {
			s.Signals.Set(signal.Unloading.ID, signal.Reading[float64]{Value: 1, At: s.Now, Heard: s.Now, Quality: signal.Good})
		}, false, false},
		{"the speed jumps", func(s *machine.State) { s.Speed.Value = 8 }, false, false},
		{"the speed is not known", func(s *machine.State) { s.Speed.Known = false }, false, false},
		{"the header is lifted", func(s *machine.State) { s.Header = machine.No }, false, false},
		{"turning", func(s *machine.State) { s.Activity = machine.Turning }, false, false},
		{"on the road", func(s *machine.State) { s.Activity, s.Threshing = machine.Travelling, machine.No }, false, false},
		{"standing with threshing on", func(s *machine.State) { s.Activity, s.Speed.Value = machine.Waiting, 0 }, false, false},
		{"blocked", func(s *machine.State) { s.Activity, s.Speed.Value, s.Threshing = machine.Blocked, 0, machine.No }, false, false},
		{"unloading at a stand", func(s *machine.State) { s.Activity, s.Speed.Value, s.Threshing = machine.Unloading, 0, machine.No }, false, false},
		{"standing, threshing off", func(s *machine.State) { s.Activity, s.Speed.Value, s.Threshing = machine.Idle, 0, machine.No }, false, true},
		{"key off", func(s *machine.State) {
			s.Activity, s.Speed, s.Threshing = machine.Off, machine.Speed{}, machine.NotKnown
		}, false, true},
		{"nobody knows what it does", func(s *machine.State) { s.Activity, s.Speed.Value = machine.Unknown, 0 }, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMoment()
			s := machine.State{Now: signal.Instant(time.Minute), Activity: machine.Cutting, InCrop: signal.Instant(time.Second),
				Threshing: machine.Yes, Header: machine.Yes, Speed: machine.Speed{Value: 5, Known: true}}
			for range 100 {
				s.Now = s.Now.Add(machine.Period)
				m.step(&s)
			}
			s.Now = s.Now.Add(machine.Period)
			c.change(&s)
			m.step(&s)
			if m.steady != c.steady || m.standing != c.standing {
				t.Errorf("steady %v, standing %v; want %v, %v", m.steady, m.standing, c.steady, c.standing)
			}
		})
	}
}
