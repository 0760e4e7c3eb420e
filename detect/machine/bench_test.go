package machine

import (
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

// BenchmarkStep is one State of a machine at work with everything heard.
func BenchmarkStep(b *testing.B) {
	m, now := working200()
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(Period)
		renew(m, now)
		m.Step(now)
	}
}

// Promise: a step allocates nothing.
func TestAStepAllocatesNothing(t *testing.T) {
	m, now := working200()
	if n := testing.AllocsPerRun(2000, func() {
		now = now.Add(Period)
		renew(m, now)
		m.Step(now)
	}); n > 0 {
		t.Errorf("%.1f allocations a step", n)
	}
}

// renew sends what the machine sends, a little changed.
func renew(m *Machine, now signal.Instant) {
	for id := range signal.ID(signal.Count) {
		if r := m.state.Signals.Get(id); r.Quality == signal.Good {
			r.Value += 0.001 * float64(now/signal.Instant(Period)%2)
			r.At, r.Heard = now, now
			m.Apply(id, r)
		}
	}
}

// working200 is a machine after 200 s of work.
func working200() (*Machine, signal.Instant) {
	own := DefaultSettings()
	own.RatedPowerKW, own.CutWidth = 300, 9
	m := New(own, Crop{})
	m.Engine(plainEngine)
	work := plain{signal.EngineSpeed.ID: 2000, signal.EngineTorque.ID: torqueFor(200), signal.EngineLoad.ID: 75, signal.RotorSpeed.ID: 850,
		signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1, signal.ThreshingEngaged.ID: 1, signal.GrainFlow.ID: 25,
		signal.SeparationLoss.ID: 20, signal.Latitude.ID: 50, signal.Longitude.ID: 14}
	const long = 200 * time.Second
	work.run(m, 0, long)
	return m, signal.Instant(long)
}
