package machine

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"chaffinch/canbus/signal"
)

// Whatever comes in, a step neither panics nor gives a feed that is no number;
// and ten minutes of plain work afterwards give a feed that is one, with
// nothing of the storm left in what was learned but doubt.
func TestNoStormBreaksTheFeed(t *testing.T) {
	own := DefaultSettings()
	own.RatedPowerKW, own.CutWidth = 300, 9
	crop := Crop{SpecificEnergyKWhT: 3.6, EnergyBasis: PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}
	rapid.Check(t, func(t *rapid.T) {
		m := New(own, crop)
		m.Engine(plainEngine)
		now := signal.Instant(0)
		step := func() {
			s := m.Step(now)
			now = now.Add(Period)
			if f := s.Feed; math.IsNaN(float64(f.Rate)) || math.IsInf(float64(f.Rate), 0) || f.Rate < 0 || math.IsNaN(float64(f.SD)) || f.SD < 0 {
				t.Fatalf("at %v: %+v", now, f)
			}
		}
		for range rapid.IntRange(1, 30).Draw(t, "gusts") {
			for range rapid.IntRange(1, 8).Draw(t, "readings") {
				id := signal.ID(rapid.IntRange(0, signal.Count-1).Draw(t, "id"))
				v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 4000), rapid.Float64Range(0, 120)).Draw(t, "value")
				m.Apply(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: signal.Good})
			}
			for range rapid.IntRange(1, 60).Draw(t, "steps") {
				step()
			}
		}
		work := plain{signal.EngineSpeed.ID: 2000, signal.EngineTorque.ID: torqueFor(180), signal.EngineLoad.ID: 75, signal.RotorSpeed.ID: 850,
			signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1, signal.ThreshingEngaged.ID: 1, signal.Unloading.ID: 0,
			signal.GrainFlow.ID: 25, signal.CutWidth.ID: 9, signal.Pitch.ID: 0, signal.Altitude.ID: 100}
		s := work.run(m, now, 10*time.Minute)
		// A storm may have taught a wrong power of empty running: then the feed's own doubt says so.
		if s.Activity != Cutting || s.Feed.Rate+s.Feed.SD < 5 || s.Feed.Rate > 150 {
			t.Fatalf("after the storm: %v, %+v", s.Activity, s.Feed)
		}
	})
}
