package machine

import (
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/outside"
)

// H085 and H086: m g (MR + grade) v at a motion resistance of 0.08.
func TestPropulsion(t *testing.T) {
	for _, id := range []string{"H085", "H086"} {
		row := outside.PublishedRow(t, id)
		in, want, tolerance := row.In, row.Want, row.Tolerance
		if in["mr"] != motionResistance {
			t.Fatalf("%s is for another ground", id)
		}
		if got := wheelKW(in["mass_kg"]/1000, in["speed_kmh"], in["grade"]); math.Abs(got-want) > tolerance {
			t.Errorf("%s: %.2f kW, want %g", id, got, want)
		}
	}
}

// H082 and H083: the motion resistance of one number lies within those of wheels
// on firm and tilled ground.
func TestMotionResistanceIsOfTheRange(t *testing.T) {
	driven, towed := outside.PublishedRow(t, "H082").Want, outside.PublishedRow(t, "H083").Want
	if motionResistance < towed || motionResistance > driven+0.02 {
		t.Errorf("%g against %g driven and %g towed", motionResistance, driven, towed)
	}
}

// H087: ASABE D497.7 at full throttle, turned round.
func TestLoadFromFuel(t *testing.T) {
	row := outside.PublishedRow(t, "H087")
	in, litres := row.In, row.Want
	if got := loadFromFuel(litres, in["p_kw"]); math.Abs(got-in["x"]) > 0.001 {
		t.Errorf("X %.4f from %g L/h, want %g", got, litres, in["x"])
	}
}

// H081: 92 kW of rotary power are 20 t/h of MOG in small grain, hence 45 t/h of
// grain and MOG at 0.8; H080: 99 kW are 40 t/h of maize grain. A machine in work
// whose engine gives that and what propulsion takes shows that feed.
func TestFeedFromPower(t *testing.T) {
	for _, c := range []struct {
		id   string
		crop Crop
		feed func(in map[string]float64, mogRatio float64) float64
	}{
		{"H081", Crop{SpecificEnergyKWhT: 3.6, EnergyBasis: PerMOG, IdlePowerKW: 20, MOGRatio: 0.8},
			func(in map[string]float64, mog float64) float64 { return in["feed_t_h"] * (1 + mog) / mog }},
		{"H080", Crop{SpecificEnergyKWhT: 1.6, EnergyBasis: PerGrain, IdlePowerKW: 35, MOGRatio: 0.28},
			func(in map[string]float64, mog float64) float64 { return in["feed_t_h"] * (1 + mog) }},
	} {
		row := outside.PublishedRow(t, c.id)
		in, rotaryKW := row.In, row.Want
		own := DefaultSettings()
		own.RatedPowerKW = 250
		engineKW := rotaryKW + wheelKW(own.MassT, 5, 0)/driveEfficiency + auxiliaryShare*own.RatedPowerKW
		m := New(own, c.crop)
		p := plain{signal.EngineSpeed.ID: 2000, signal.EngineLoad.ID: 100 * engineKW / 250, signal.RotorSpeed.ID: 850,
			signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1, signal.ThreshingEngaged.ID: 1}
		s := p.run(m, 0, 30*time.Second)
		want := c.feed(in, c.crop.MOGRatio)
		if s.Feed.Basis != FromPower || math.Abs(float64(s.Feed.Rate)-want) > 0.02*want {
			t.Errorf("%s: %.2f t/h from %v, want %.2f", c.id, s.Feed.Rate, s.Feed.Basis, want)
		}
		if s.Feed.SD < s.Feed.Rate/5 {
			t.Errorf("%s: a feed that was never calibrated claims %.1f of %.1f t/h", c.id, s.Feed.SD, s.Feed.Rate)
		}
	}
}

// plain is a machine whose signals stand still, sent ten times a second.
type plain map[signal.ID]float64

func (p plain) run(m *Machine, from signal.Instant, long time.Duration) *State {
	var s *State
	for now := from; now < from.Add(long); now = now.Add(Period) {
		m.Heard(now)
		for id := range signal.ID(signal.Count) {
			if v, ok := p[id]; ok {
				m.Apply(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: signal.Good})
			}
		}
		s = m.Step(now.Add(Period / 2))
	}
	return s
}
