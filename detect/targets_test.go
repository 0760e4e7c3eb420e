package detect

import (
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// lossy works for some steps with a separation loss of 40.
func lossy(s *storm, steps int) {
	for range steps {
		wobble := float64(s.steps%7) / 3
		feedWork(s, wobble)
		s.machine.Apply(signal.SeparationLoss.ID, signal.Reading[float64]{Value: 40 + wobble, At: s.now, Heard: s.now, Quality: signal.Good})
		s.step()
	}
}

func raised(log []Event, kind string) (n int) {
	for _, e := range log {
		if e.Kind == kind && e.Phase == Raised {
			n++
		}
	}
	return n
}

func TestTargetsOfACalibration(t *testing.T) {
	const kind = "separation-loss-high"
	for _, c := range []struct {
		name    string
		targets [][]Target // set one after another
		want    int
	}{
		{"without one the machine's own usual level counts", nil, 0},
		{"a target under the level", [][]Target{{{kind, 25}}}, 1},
		{"a target over the level", [][]Target{{{kind, 70}}}, 0},
		{"of another kind", [][]Target{{{"cleaning-loss-high", 25}}}, 0},
		{"taken back", [][]Target{{{kind, 25}}, {}}, 0},
		{"what cannot be", [][]Target{{{kind, -3}, {"engine-hot", 25}, {"", 200}}}, 0},
	} {
		s := newStorm()
		for _, targets := range c.targets {
			s.rules.SetTargets(targets)
		}
		lossy(s, 1500)
		if n := raised(s.log, kind); n != c.want {
			t.Errorf("%s: raised %d times, should be %d", c.name, n, c.want)
		}
	}
}

// What the settings say comes back when a calibration is gone.
func TestTheSettingsOwnTarget(t *testing.T) {
	own, set, target := machine.DefaultSettings(), DefaultSettings(), 25.0
	set.SeparationLossHigh.Target = &target
	s := newStorm()
	s.rules = New(set, Facts{Machine: own, Crop: wheat()})
	s.rules.SetTargets([]Target{{"separation-loss-high", 90}})
	lossy(s, 1500)
	if n := raised(s.log, "separation-loss-high"); n != 0 {
		t.Errorf("raised %d times over a target of 90", n)
	}
	s.rules.SetTargets(nil)
	lossy(s, 600)
	if n := raised(s.log, "separation-loss-high"); n != 1 {
		t.Errorf("raised %d times over a target of 25", n)
	}
}

// Another crop ends what was active, counts events on, and does not raise the
// same at once again.
func TestAnotherCrop(t *testing.T) {
	s := newStorm()
	s.rules.SetTargets([]Target{{"separation-loss-high", 25}})
	lossy(s, 1500)
	if len(s.log) != 1 {
		t.Fatalf("%+v", s.log)
	}
	maize := machine.Crop{Name: "maize", SpecificEnergyKWhT: 2, EnergyBasis: machine.PerGrain, IdlePowerKW: 20, MOGRatio: 0.3}
	ends := s.rules.SetCrop(DefaultSettings(), Facts{Machine: machine.DefaultSettings(), Crop: maize})
	if len(ends) != 1 || ends[0].Number != 1 || ends[0].Phase != Ended || ends[0].Ended != s.now {
		t.Fatalf("ended %+v", ends)
	}
	if len(s.rules.Active()) > 0 {
		t.Errorf("active: %+v", s.rules.Active())
	}
	s.rules.SetTargets([]Target{{"separation-loss-high", 25}})
	lossy(s, 1500)
	last := s.log[len(s.log)-1]
	if raised(s.log, "separation-loss-high") != 2 || last.Number != 2 || last.Raised.Sub(s.log[0].Raised) < repeatAfter {
		t.Errorf("%+v", s.log)
	}
	// Machine facts leave what was learned of the crop alone.
	if ends := s.rules.SetMachine(DefaultSettings(), Facts{Machine: machine.DefaultSettings(), Crop: maize}); len(ends) != 0 {
		t.Errorf("ended %+v", ends)
	}
	if len(s.rules.Active()) != 1 {
		t.Errorf("active: %+v", s.rules.Active())
	}
}

// A limit that is set at the machine holds as one that stands in the configuration.
func TestALimitThatIsSetLater(t *testing.T) {
	low := 100.0
	own := machine.DefaultSettings()
	own.Limits = map[string]machine.Limit{"rotor_speed_rpm": {Max: &low}}
	facts := Facts{Machine: own, Crop: wheat()}
	limited := func(do func(s *storm)) int {
		s := newStorm()
		do(s)
		s.rules.SetTargets([]Target{{"separation-loss-high", 25}})
		lossy(s, 1500)
		if n := raised(s.log, "separation-loss-high"); n != 1 {
			t.Fatalf("raised %d times: %+v", n, s.log)
		}
		return raised(s.log, "limit-holding")
	}
	if n := limited(func(s *storm) { s.rules = New(DefaultSettings(), facts) }); n != 1 {
		t.Errorf("in the configuration: raised %d times", n)
	}
	if n := limited(func(s *storm) { s.rules.SetMachine(DefaultSettings(), facts) }); n != 1 {
		t.Errorf("set later: raised %d times", n)
	}
	// One that is taken away ends what it holds.
	s := newStorm()
	s.rules = New(DefaultSettings(), facts)
	s.rules.SetTargets([]Target{{"separation-loss-high", 25}})
	lossy(s, 1500)
	ends := s.rules.SetMachine(DefaultSettings(), Facts{Machine: machine.DefaultSettings(), Crop: wheat()})
	if len(ends) != 1 || ends[0].Kind != "limit-holding" || ends[0].Phase != Ended {
		t.Errorf("ends %+v", ends)
	}
}

// The words say which limit it is, also for a setting that sits just on its lower one.
func TestWordsOfALimit(t *testing.T) {
	for _, c := range []struct {
		limit machine.Limit
		want  string
	}{
		{machine.Limit{Min: at(850)}, "Rotor speed at your lower limit 850: grain is broken"},
		{machine.Limit{Max: at(850)}, "Rotor speed at your upper limit 850: separation loss is high"},
		{machine.Limit{Min: at(850), Max: at(1200)}, "Rotor speed at your lower limit 850: grain is broken"},
		{machine.Limit{Min: at(500), Max: at(850)}, "Rotor speed at your upper limit 850: separation loss is high"},
	} {
		own := machine.DefaultSettings()
		own.Limits = map[string]machine.Limit{"rotor_speed_rpm": c.limit}
		r := newLimits(DefaultSettings().LimitHolding, own)
		s := newStorm()
		s.machine.Apply(signal.RotorSpeed.ID, signal.Reading[float64]{Value: 850, At: s.now, Heard: s.now, Quality: signal.Good})
		state := s.machine.Step(s.now)
		e := Event{Peak: Fact{Value: 850}}
		r.tell(&e, &r.slots[signal.RotorSpeed.ID], state)
		if e.Text != c.want {
			t.Errorf("%q, want %q", e.Text, c.want)
		}
	}
}

func at(v float64) *float64 { return &v }
