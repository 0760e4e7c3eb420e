package machine

import (
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

// The table of activities, each from several poor sets of signals.
func TestActivity(t *testing.T) {
	var (
		eng, lod, rot, spd = signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.RotorSpeed.ID, signal.GroundSpeed.ID
		hdr, thr, unl      = signal.HeaderWorking.ID, signal.ThreshingEngaged.ID, signal.Unloading.ID
		fan, hgt, flw, ful = signal.FanSpeed.ID, signal.HeaderHeight.ID, signal.GrainFlow.ID, signal.FuelRate.ID
	)
	for _, c := range []struct {
		name string
		in   plain
		want Activity
	}{
		{"nothing at all", plain{}, Unknown},
		{"engine off", plain{eng: 0}, Off},
		{"starter turns", plain{eng: 200}, Off},
		{"engine on, standing", plain{eng: 900, spd: 0, thr: 0}, Idle},
		{"engine on, standing, nothing of threshing", plain{eng: 900, spd: 0}, Idle},
		{"on the road", plain{eng: 1900, lod: 60, spd: 25, rot: 0}, Travelling},
		{"in the field, threshing off", plain{eng: 1900, lod: 30, spd: 6, thr: 0, hdr: 0}, Travelling},
		{"all flags", plain{eng: 2000, lod: 75, rot: 850, spd: 5, hdr: 1, thr: 1}, Cutting},
		{"rotor instead of a flag", plain{eng: 2000, lod: 75, rot: 850, spd: 5, hdr: 1}, Cutting},
		{"fan instead of a rotor", plain{eng: 2000, fan: 900, spd: 5, hdr: 1}, Cutting},
		{"height instead of a header flag", plain{eng: 2000, rot: 850, spd: 5, hgt: 150}, Cutting},
		{"header high", plain{eng: 2000, rot: 850, spd: 5, hgt: 900}, Turning},
		{"grain flow, header flag, speed only", plain{flw: 20, hdr: 1, spd: 5}, Cutting},
		{"a real combine's table: rotor, fuel, header flag, flow", plain{rot: 600, ful: 45, hdr: 1, flw: 14, spd: 4}, Cutting},
		{"its headland", plain{rot: 600, ful: 35, hdr: 0, flw: 0, spd: 4}, Turning},
		{"header in work but standing", plain{eng: 2000, rot: 850, spd: 0, hdr: 1, thr: 1}, Waiting},
		{"unloading on the go stays cutting", plain{eng: 2000, lod: 80, rot: 850, spd: 5, hdr: 1, thr: 1, unl: 1}, Cutting},
		{"unloading standing", plain{eng: 2000, rot: 850, spd: 0, hdr: 0, thr: 1, unl: 1}, Unloading},
		{"unloading with threshing off", plain{eng: 1500, rot: 0, spd: 0, unl: 1}, Unloading},
		{"no speed at all, engine at work", plain{eng: 2000, lod: 80, rot: 850, hdr: 1, thr: 1}, Unknown},
	} {
		m := New(DefaultSettings(), Crop{})
		if s := c.in.run(m, 0, 30*time.Second); s.Activity != c.want {
			t.Errorf("%s: %v (%s), want %v", c.name, s.Activity, s.Basis, c.want)
		} else if s.Activity != Unknown && s.Basis == "" {
			t.Errorf("%s: %v without a basis", c.name, s.Activity)
		}
	}
}

// Inputs that fall away leave the activity standing for a while, then unknown.
func TestActivityIsHeldAndThenUnknown(t *testing.T) {
	m := New(DefaultSettings(), Crop{})
	work := plain{signal.EngineSpeed.ID: 2000, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1}
	work.run(m, 0, 30*time.Second)
	at := signal.Instant(30 * time.Second)
	if s := (plain{}).run(m, at, 8*time.Second); s.Activity != Cutting {
		t.Errorf("after 8 s of silence: %v", s.Activity)
	}
	if s := (plain{}).run(m, at.Add(8*time.Second), 20*time.Second); s.Activity != Unknown {
		t.Errorf("after 28 s of silence: %v", s.Activity)
	}
}

// A track of one metre a second, at three latitudes, 1 Hz.
func TestTrackSpeed(t *testing.T) {
	for _, latitude := range []float64{0, 55, -35} {
		m := New(DefaultSettings(), Crop{})
		var s *State
		for i := range 20 {
			now := signal.Instant(i) * signal.Instant(time.Second)
			east := float64(i) / (earthRadiusM * math.Cos(latitude*math.Pi/180)) * 180 / math.Pi
			for id, v := range map[signal.ID]float64{signal.Latitude.ID: latitude, signal.Longitude.ID: 10 + east} {
				m.Apply(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: signal.Good})
			}
			s = m.Step(now)
		}
		if !s.Speed.Known || !s.Speed.FromTrack || math.Abs(float64(s.Speed.Value)-3.6) > 0.01 {
			t.Errorf("latitude %g: %+v, want 3.6 km/h", latitude, s.Speed)
		}
	}
}

// A receiver that jumps is no combine that flies.
func TestTrackJump(t *testing.T) {
	m := New(DefaultSettings(), Crop{})
	for i := range 20 {
		now := signal.Instant(i) * signal.Instant(time.Second)
		latitude := 55.0
		if i >= 10 {
			latitude = 55.01
		}
		for _, id := range []signal.ID{signal.Latitude.ID, signal.Longitude.ID} {
			v := 10.0
			if id == signal.Latitude.ID {
				v = latitude
			}
			m.Apply(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: signal.Good})
		}
		if s := m.Step(now); s.Speed.Known && s.Speed.Value > 0.1 {
			t.Fatalf("at %d s: %v km/h", i, s.Speed.Value)
		}
	}
}

// With grain flow as the teacher, power learns the level of the feed: a machine
// whose specific energy is 40 % over the prior is right to 3 % after ten minutes.
func TestFeedLearnsFromGrainFlow(t *testing.T) {
	own := DefaultSettings()
	own.RatedPowerKW = 300
	crop := Crop{SpecificEnergyKWhT: 3.6, EnergyBasis: PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}
	m := New(own, crop)
	m.Engine(plainEngine)
	trueKWhT := 1.4 * m.feed.kwhPerT
	feedAt := func(at float64) float64 { return 45 + 12*math.Sin(at/40) }
	var s *State
	for now := signal.Instant(0); now < signal.Instant(15*time.Minute); now = now.Add(Period) {
		at := now.Seconds()
		kw := 20 + (auxiliaryShare+headerShare)*300 + wheelKW(own.MassT, 5, 0)/driveEfficiency + trueKWhT*feedAt(at)
		m.Heard(now)
		work := plain{signal.EngineSpeed.ID: 2000, signal.EngineTorque.ID: torqueFor(kw), signal.EngineLoad.ID: 75, signal.RotorSpeed.ID: 850,
			signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1, signal.ThreshingEngaged.ID: 1,
			signal.GrainFlow.ID: feedAt(at-grainDelay.Seconds()) / 1.8}
		for id, v := range work {
			m.Apply(id, signal.Reading[float64]{Value: v, At: now, Heard: now, Quality: signal.Good})
		}
		s = m.Step(now)
		if at > 600 && math.Abs(float64(s.Feed.Rate)/feedAt(at-1)-1) > 0.03 {
			t.Fatalf("at %.0f s: %.2f t/h, want %.2f", at, s.Feed.Rate, feedAt(at))
		}
	}
	if s.Feed.Basis != FromGrainFlow || !s.Feed.FullnessKnown {
		t.Errorf("%+v", s.Feed)
	}
}

// The empty running that the headland shows is taken off: after some turns a
// machine whose auxiliaries take 40 kW more than the prior is right.
func TestFeedLearnsEmptyRunning(t *testing.T) {
	own := DefaultSettings()
	own.RatedPowerKW = 300
	crop := Crop{SpecificEnergyKWhT: 3.6, EnergyBasis: PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}
	m := New(own, crop)
	m.Engine(plainEngine)
	empty := 20 + (auxiliaryShare+headerShare)*300 + 40 + wheelKW(own.MassT, 5, 0)/driveEfficiency
	work := plain{signal.EngineSpeed.ID: 2000, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 5, signal.ThreshingEngaged.ID: 1}
	var s *State
	now := signal.Instant(0)
	for turn := range 4 {
		work[signal.HeaderWorking.ID], work[signal.EngineTorque.ID] = 1, torqueFor(empty+m.feed.kwhPerT*40)
		s = work.run(m, now, 60*time.Second)
		rate := s.Feed.Rate
		now = now.Add(60 * time.Second)
		work[signal.HeaderWorking.ID], work[signal.EngineTorque.ID] = 0, torqueFor(empty)
		s = work.run(m, now, 25*time.Second)
		now = now.Add(25 * time.Second)
		if s.Activity != Turning || s.Feed.Rate > 0.5 {
			t.Fatalf("headland: %v, %.1f t/h", s.Activity, s.Feed.Rate)
		}
		if near := [4]float64{30, 2, 1, 1}[turn]; math.Abs(float64(rate)-40) > near {
			t.Errorf("after %d turns %.1f t/h, want 40", turn, rate)
		}
	}
}

// plainEngine gives its power by torque: 2,000 Nm are 100 %, 10 % is friction.
var plainEngine = EngineFacts{ReferenceNm: 2000, FrictionPct: 10, FrictionKnown: true}

// torqueFor is the torque in % of plainEngine at 2,000 rpm.
func torqueFor(kW float64) float64 { return 10 + 100*kW*9549.3/2000/2000 }

func TestResetForgetsTheMoment(t *testing.T) {
	m := New(DefaultSettings(), Crop{})
	plain{signal.EngineSpeed.ID: 2000, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1}.run(m, 0, 20*time.Second)
	m.Reset()
	s := m.Step(signal.Instant(21 * time.Second))
	if s.Segment != 1 || s.Activity != Unknown || s.Health[signal.EngineSpeed.ID].Ever || s.Engine.Running != NotKnown {
		t.Errorf("%d %v %+v", s.Segment, s.Activity, s.Engine)
	}
}
