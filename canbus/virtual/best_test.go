package virtual

import (
	"math"
	"testing"
	"time"
)

// Best is at least as good as any draw of settings within the limits, it keeps
// to them, and takes no time.
func TestBest(t *testing.T) {
	for _, crop := range crops {
		c := New(Scenario{Crop: crop.Name, Start: "2024-07-30T11:00:00Z", Hours: 0.1}, 1)
		rotor := c.levers.usual[leverRotor]
		limits := map[string]Limit{"rotor_speed_rpm": {Max: num(0.93 * rotor)}, "concave_mm": {Min: num(crop.ConcaveMM * 1.1)}}
		free, _, freeCost := c.Best(nil)
		began := time.Now()
		held, levels, heldCost := c.Best(limits)
		if took := time.Since(began); took > 50*time.Millisecond {
			t.Errorf("%s: it took %v", crop.Name, took)
		}
		if held["rotor_speed"] > 0.93*rotor || held["concave"] < crop.ConcaveMM*1.1 {
			t.Errorf("%s: %v is beyond the limits", crop.Name, held)
		}
		usual := c.Condition().UsualCost
		if !(freeCost <= usual && freeCost <= heldCost && heldCost < usual+5) || levels.FeedTH <= 0 {
			t.Errorf("%s: best costs %.2f, within limits %.2f, usual settings %.2f", crop.Name, freeCost, heldCost, usual)
		}
		r := newStream(5, 1)
		for range 20000 {
			p := c.levers.usual
			for l := range p {
				low, high := reach(l, &c.crop, p[l])
				p[l] = r.between(low, high)
			}
			levels := c.steady(&p)
			if cost := levels.cost(c.flow.fullTH); cost < freeCost {
				t.Fatalf("%s: %v costs %.3f, best %v %.3f", crop.Name, p, cost, free, freeCost)
			}
		}
		// The crop's usual settings are about right.
		for l := range levers {
			if v, ok := free[levers[l].name]; ok {
				if steps := (v - c.levers.usual[l]) / stepOf(l, &c.crop, c.levers.usual[l]); math.Abs(steps) > 3.5 {
					t.Errorf("%s: the best %s is %.1f steps from the usual one", crop.Name, levers[l].name, steps)
				}
			}
		}
	}
}

// A draw of bad settings has one lever or two, 2 to 5 usual steps off, and is a
// machine that does worse than it could.
func TestMissettings(t *testing.T) {
	count := map[string]int{}
	ones, worse, draws := 0, 0, 0
	for seed := uint64(1); seed <= 60; seed++ {
		for i, crop := range crops {
			s := Scenario{Machine: models[(int(seed)+i)%len(models)].Name, Crop: crop.Name, Hours: 0.02, LoadPct: 76}
			s.Settings = Missettings(seed, s)
			if wrong := s.Validate(); len(wrong) > 0 {
				t.Fatalf("seed %d: %v", seed, wrong[0])
			}
			again := Missettings(seed, s)
			c := New(s, seed)
			draws++
			if len(s.Settings) == 1 {
				ones++
			} else if len(s.Settings) != 2 {
				t.Fatalf("seed %d: %v", seed, s.Settings)
			}
			for l := range levers {
				v, ok := s.Settings[levers[l].name]
				if !ok {
					continue
				}
				if again[levers[l].name] != v {
					t.Error("the same seed, another draw")
				}
				steps := (v - c.levers.usual[l]) / stepOf(l, &crop, c.levers.usual[l])
				if size := math.Abs(steps); size < 2-1e-9 || size > 5+1e-9 {
					t.Errorf("%s in %s is %.2f steps off", levers[l].name, crop.Name, steps)
				}
				sign := " down"
				if steps > 0 {
					sign = " up"
				}
				count[levers[l].name+sign]++
				if c.Setting(levers[l].name) != v {
					t.Errorf("%s is at %g, not at %g", levers[l].name, c.Setting(levers[l].name), v)
				}
			}
			k := c.Condition()
			_, _, best := c.Best(nil)
			if k.Cost < best {
				t.Errorf("seed %d in %s costs %.2f, best %.2f", seed, crop.Name, k.Cost, best)
			}
			if k.Cost > k.UsualCost {
				worse++
			}
		}
	}
	for l := leverRotor; l < leverCount; l++ {
		if count[levers[l].name+" up"] < 10 || count[levers[l].name+" down"] < 10 {
			t.Errorf("%s: %d times up, %d times down", levers[l].name, count[levers[l].name+" up"], count[levers[l].name+" down"])
		}
	}
	if ones < draws/3 || ones > 2*draws/3 || worse < 3*draws/4 {
		t.Errorf("of %d draws %d have one lever, %d cost more than usual settings", draws, ones, worse)
	}
}
