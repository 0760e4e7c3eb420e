package virtual

import (
	"math"
	"testing"

	"chaffinch/canbus"
)

// even is a machine in the middle of even crop, on the level.
func even(t *testing.T, settings map[string]float64) *Combine {
	t.Helper()
	s := Scenario{Machine: "large", Crop: "wheat", Start: "2024-07-30T10:00:00Z", Hours: 1, PassM: 5000, Uneven: 1e-9, InCrop: true, Settings: settings}
	if wrong := s.Validate(); len(wrong) > 0 {
		t.Fatal(wrong[0])
	}
	c := New(s, 1)
	c.field.unevenWide, c.field.unevenNear = 0, 0
	work(c, 200)
	return c
}

// work lets it go on at the speed that was set, for so many seconds.
func work(c *Combine, seconds float64) {
	for end := c.tick + int64(seconds*100); c.tick < end; {
		c.body.tankT = 0
		c.op.slowUntil, c.op.cutWidthM, c.op.slowShare = 0, 0.97*c.width, 1
		c.advance()
	}
}

// The machine lives as Steady says that it will, at the usual settings and at
// others: the same laws, with delays and lags.
func TestSteadyIsWhereTheMachineGoes(t *testing.T) {
	for name, settings := range map[string]map[string]float64{
		"usual":     {"ground_speed": 5},
		"soft":      {"ground_speed": 4.5, "rotor_speed": 660, "concave": 13},
		"hard":      {"ground_speed": 5, "rotor_speed": 800, "concave": 7},
		"windy":     {"ground_speed": 5.2, "fan_speed": 1020, "upper_sieve": 12},
		"tight":     {"ground_speed": 5, "lower_sieve": 5.5},
		"tall":      {"ground_speed": 5.5, "cut_height": 260},
		"reel fast": {"ground_speed": 5, "reel": 1.16},
	} {
		c := even(t, settings)
		k := c.Condition()
		for _, q := range quantities {
			if q.name == "bunches" {
				continue
			}
			got, want := q.of(&k.Now), q.of(&k.Steady)
			if math.Abs(got-want) > 0.06*want {
				t.Errorf("%s: %s is %.3f, steady work would have %.3f", name, q.name, got, want)
			}
		}
	}
}

// A lever moves as fast as its adjuster (common practice, no source), and what
// it acts on follows within the time after which a sensor may be judged.
func TestSetMovesAtTheAdjustersRate(t *testing.T) {
	for _, tc := range []struct {
		lever string
		to    float64
		s     float64 // until it is there
		level func(c *Combine) float64
		rises bool
	}{
		{"rotor_speed", 650, 8.7, func(c *Combine) float64 { return c.sense.clearSeparation }, true},
		{"rotor_speed", 830, 9.3, func(c *Combine) float64 { return c.sense.clearBroken }, true},
		{"concave", 15, 5, func(c *Combine) float64 { return c.sense.clearSeparation }, true},
		{"concave", 6, 4, func(c *Combine) float64 { return c.sense.clearBroken }, true},
		{"fan_speed", 765, 9, func(c *Combine) float64 { return c.sense.clearTrash }, true},
		{"fan_speed", 1065, 11, func(c *Combine) float64 { return c.sense.clearCleaning }, true},
		{"upper_sieve", 9, 6, func(c *Combine) float64 { return c.sense.clearCleaning }, true},
		{"upper_sieve", 21, 6, func(c *Combine) float64 { return c.sense.clearCleaning }, false},
		{"lower_sieve", 5, 4.3, func(c *Combine) float64 { return c.sense.clearReturns }, true},
		{"lower_sieve", 11, 4.3, func(c *Combine) float64 { return c.sense.clearTrash }, true},
		{"cut_height", 280, 0.3, func(c *Combine) float64 { return c.sense.clearSeparation }, false},
		{"ground_speed", 6, 0, func(c *Combine) float64 { return c.sense.clearSeparation }, true},
	} {
		c := even(t, map[string]float64{"ground_speed": 5})
		from, before := c.Setting(tc.lever), tc.level(c)
		if err := c.Set(tc.lever, tc.to); err != nil {
			t.Fatal(err)
		}
		took := 0.0
		for c.Setting(tc.lever) != tc.to && took < 30 {
			work(c, 0.1)
			took += 0.1
		}
		if math.Abs(took-tc.s) > 0.3 {
			t.Errorf("%s from %.0f to %.0f took %.1f s, want %.1f", tc.lever, from, tc.to, took, tc.s)
		}
		work(c, 60)
		after := tc.level(c)
		if tc.rises && after < 1.1*before || !tc.rises && after > 0.95*before {
			t.Errorf("%s to %.0f: the level goes from %.1f to %.1f", tc.lever, tc.to, before, after)
		}
		c.Set(tc.lever, from)
		work(c, 80)
		if back := tc.level(c); math.Abs(back-before) > 0.03*before+0.1 {
			t.Errorf("%s put back: the level is %.2f, was %.2f", tc.lever, back, before)
		}
	}
}

func TestSetRefusesWhatTheMachineHasNot(t *testing.T) {
	wheat := New(Scenario{Hours: 0.1}, 1)
	maize := New(Scenario{Crop: "maize", Hours: 0.1}, 1)
	for _, tc := range []struct {
		c     *Combine
		lever string
		value float64
	}{
		{wheat, "deck_plates", 30}, {wheat, "", 1}, {wheat, "rotor_speed", 3000}, {wheat, "rotor_speed", math.NaN()},
		{wheat, "concave", 1}, {wheat, "fan_speed", math.Inf(1)}, {maize, "reel", 1.1},
	} {
		if err := tc.c.Set(tc.lever, tc.value); err == nil {
			t.Errorf("%s of %g is taken", tc.lever, tc.value)
		}
	}
	if !math.IsNaN(maize.Setting("reel")) || wheat.Setting("reel") != usualReel {
		t.Error("a reel in maize, or none in wheat")
	}
	if wheat.levers.touched {
		t.Error("a refused setting leaves a trace")
	}
	for _, bad := range []map[string]float64{{"rotor_speed": 99}, {"mood": 3}} {
		if wrong := (Scenario{Settings: bad}).Validate(); len(wrong) != 1 || wrong[0].Try == "" {
			t.Errorf("%v: %v", bad, wrong)
		}
	}
}

// A machine that is badly set from the start has no trouble that came: what it
// shows is usual for it. Trouble that a lever brings is trouble.
func TestTruthOfSettings(t *testing.T) {
	s := undisturbed("full", 0.4)
	s.PassM = 5000
	s.Settings = map[string]float64{"concave": 13, "fan_speed": 1000}
	truth, _ := truthOf(s, 4)
	for _, v := range truth.Intervals {
		switch v.Kind {
		case "separation-loss-high", "cleaning-loss-high", "returns-high", "trash-high", "broken-grain-high":
			t.Errorf("badly set from the start: %+v", v)
		}
	}
	s.Settings = nil
	c := New(s, 4)
	moved := false
	live(c, func(*canbus.Frame) {
		if !moved && c.seconds() > 500 {
			moved = true
			if err := c.Set("concave", 18); err != nil {
				t.Error(err)
			}
		}
	})
	found := false
	for _, v := range c.Truth().Intervals {
		found = found || v.Kind == "separation-loss-high" && v.Began > 500 && v.Began < 560
	}
	if !found {
		t.Errorf("a concave far too wide brings no separation loss: %+v", c.Truth().Intervals)
	}
}
