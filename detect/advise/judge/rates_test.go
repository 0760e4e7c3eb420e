package judge

import (
	"math/rand/v2"
	"testing"
)

// Where nothing was changed, better or worse may be said in 5 % of cases at
// most, the six levels beside it included.
func TestFalseVerdicts(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d, %d runs a line and length; false verdicts, could not judge, %%", seed, *runs)
	falseAll, all := 0, 0
	for _, c := range []struct {
		name string
		set  func(w *world)
	}{
		{"memory of 0.5 s", func(w *world) { w.tau = 0.5 }},
		{"memory of 2 s", func(w *world) {}},
		{"memory of 5 s", func(w *world) { w.tau = 5 }},
		{"memory of 10 s", func(w *world) { w.tau = 10 }},
		{"half of it white, 5 s", func(w *world) { w.tau, w.white = 5, 0.5 }},
		{"half of it white, 10 s", func(w *world) { w.tau, w.white = 10, 0.5 }},
		{"does not grow with the level", func(w *world) { w.additive = true }},
		{"six levels beside it", func(w *world) { w.sides = 6 }},
		{"six levels beside it, 10 s", func(w *world) { w.sides, w.tau = 6, 10 }},
		{"half a deviation of drift", func(w *world) { w.driftPct = 14 }},
		{"a deviation of drift", func(w *world) { w.driftPct = 28 }},
		{"a deviation of drift, down", func(w *world) { w.driftPct = -28 }},
		{"a deviation of drift, 0.5 s", func(w *world) { w.driftPct, w.tau = 28, 0.5 }},
		{"a deviation of drift, 5 s", func(w *world) { w.driftPct, w.tau = 28, 5 }},
		{"wanders, 1.4 s", func(w *world) { w.walk, w.tau = 0.02, 1.4 }},
		{"wanders, 4.5 s", func(w *world) { w.walk, w.tau = 0.02, 4.5 }},
		{"feed 4 % higher", func(w *world) { w.feedStep = 0.04 }},
		{"feed 8 % higher", func(w *world) { w.feedStep = 0.08 }},
		{"feed 8 % lower", func(w *world) { w.feedStep = -0.08 }},
		{"feed 20 % higher", func(w *world) { w.feedStep = 0.2 }},
		{"feed 20 % lower", func(w *world) { w.feedStep = -0.2 }},
		{"feed 30 % lower, square", func(w *world) { w.feedStep, w.power = -0.3, 2 }},
		{"feed 8 % higher, not well known", func(w *world) { w.feedStep, w.feedErr = 0.08, 0.1 }},
		{"feed 8 % higher, answered late", func(w *world) { w.feedStep, w.lagS, w.sensorS = 0.08, 10, 5 }},
		{"feed 4 % higher, steady feed", func(w *world) { w.feedStep, w.feedCV, w.feedErr = 0.04, 0.03, 0.02 }},
	} {
		w := usual()
		c.set(&w)
		for _, n := range [][2]int{{60, 60}, {120, 120}, {300, 300}, {600, 300}, {900, 180}} {
			false_, cannot := 0, 0
			for range *runs {
				before, after := w.play(r, n[0], n[1])
				v := Compare(window(before), window(after), Criteria{})
				wrong := v.Outcome == Better || v.Outcome == Worse
				for _, s := range v.Sides {
					wrong = wrong || s.Outcome == Worse
				}
				if wrong {
					false_++
				}
				if v.Outcome == CouldNotJudge {
					cannot++
				}
			}
			falseAll, all = falseAll+false_, all+*runs
			pct, _ := share(false_, *runs)
			not, _ := share(cannot, *runs)
			_, se := share(*runs/20, *runs) // of 5 %
			t.Logf("%-32s %3d s, %3d s: %4.1f %3.0f", c.name, n[0], n[1], pct, not)
			if pct > 5+2*se {
				t.Errorf("%s, %d s before and %d s after: %.1f %% false verdicts", c.name, n[0], n[1], pct)
			}
		}
	}
	if pct, se := share(falseAll, all); pct > 2.5 {
		t.Errorf("%.2f (+-%.2f) %% false verdicts in all", pct, se)
	} else {
		t.Logf("all: %.2f (+-%.2f) %%", pct, se)
	}
}

// A fall of 40 % is told in nine cases of ten after as many seconds as Needed
// said, a level twice as high in eight; what does not shrink with the level is
// relatively larger after a fall. Those where Needed could not say are left out.
func TestTrueVerdicts(t *testing.T) {
	const seed = 4
	r := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d, %d runs a line", seed, *runs)
	for _, c := range []struct {
		name   string
		before int
		change float64
		least  float64 // %
		set    func(w *world)
	}{
		{"memory of 0.5 s", 300, -0.4, 90, func(w *world) { w.tau = 0.5 }},
		{"memory of 0.5 s, long before", 900, -0.4, 90, func(w *world) { w.tau = 0.5 }},
		{"memory of 2 s", 300, -0.4, 90, func(w *world) {}},
		{"memory of 2 s, twice as bad", 300, 1, 80, func(w *world) {}},
		{"memory of 2 s, long before", 900, -0.4, 90, func(w *world) {}},
		{"memory of 5 s", 600, -0.4, 90, func(w *world) { w.tau = 5 }},
		{"memory of 5 s, twice as bad", 600, 1, 80, func(w *world) { w.tau = 5 }},
		{"memory of 10 s", 900, -0.4, 90, func(w *world) { w.tau = 10 }},
		{"does not grow with the level", 600, -0.4, 75, func(w *world) { w.additive = true }},
		{"answered late", 600, -0.4, 90, func(w *world) { w.lagS, w.sensorS = 10, 5 }},
		{"half a deviation of drift", 600, -0.4, 90, func(w *world) { w.driftPct = 14 }},
		{"feed 4 % higher", 600, -0.4, 90, func(w *world) { w.feedStep = 0.04 }},
	} {
		w := usual()
		c.set(&w)
		w.change = c.change
		want := Better
		if w.change > 0 {
			want = Worse
		}
		told, contrary, asked, cannot, seconds := 0, 0, 0, 0, 0
		for range *runs {
			before, after := w.play(r, c.before, MaxSeconds)
			b := window(before)
			needed := Needed(b, Criteria{})
			if needed == 0 {
				continue
			}
			v := Compare(b, window(after[:needed]), Criteria{})
			asked++
			seconds += needed
			switch v.Outcome {
			case want:
				told++
			case CouldNotJudge:
				cannot++
			case NoClearChange:
			default:
				contrary++
			}
		}
		pct, se := share(told, asked-cannot)
		sure, _ := share(asked, *runs)
		not, _ := share(cannot, max(asked, 1))
		t.Logf("%-30s %3d s before, %3d s after (mean): told %3.0f %% of those judged; could not judge %2.0f %%; could say how long in %3.0f %%",
			c.name, c.before, seconds/max(asked, 1), pct, not, sure)
		if pct < c.least-2*se || contrary > 0 {
			t.Errorf("%s: told %.0f %%, want %.0f; %d contrary", c.name, pct, c.least, contrary)
		}
	}
}

// The interval that goes with a change holds the truth in 95 % of cases.
func TestIntervalHoldsTheTruth(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	for _, change := range []float64{-0.6, -0.3, 0, 0.5} {
		w := usual()
		w.change = change
		within, of := 0, 0
		for range 2 * *runs {
			before, after := w.play(r, 300, 300)
			v := Compare(window(before), window(after), Criteria{})
			if v.Outcome == CouldNotJudge {
				continue
			}
			of++
			if v.LowPct <= 100*change && 100*change <= v.HighPct {
				within++
			}
		}
		pct, se := share(within, of)
		t.Logf("change of %+.0f %%: %.1f (+-%.1f) %% of %d", 100*change, pct, se, of)
		if pct < 95-3*se-1 {
			t.Errorf("change of %+.0f %%: the interval holds it in %.1f %%", 100*change, pct)
		}
	}
}
