package judge

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"

	"pgregory.net/rapid"
)

// each changes all seconds.
func each(seconds []Second, f func(*Second)) []Second {
	all := append([]Second(nil), seconds...)
	for i := range all {
		f(&all[i])
	}
	return all
}

// A clear change is told, and what makes two windows unlike is a reason not to.
func TestCompare(t *testing.T) {
	w := usual()
	w.change, w.feedErr = -0.6, 0.02
	before, after := w.play(rand.New(rand.NewPCG(9, 0)), 300, 300)
	same := func(b, a []Second) ([]Second, []Second) { return b, a }
	for _, c := range []struct {
		name     string
		change   func(b, a []Second) ([]Second, []Second)
		criteria Criteria
		want     Outcome
		why      string
		more     bool
	}{
		{"60 % less", same, Criteria{}, Better, "", false},
		{"60 % less of what should be much", same, Criteria{HigherIsBetter: true}, Worse, "", false},
		{"the other way round", func(b, a []Second) ([]Second, []Second) { return a, b }, Criteria{}, Worse, "", false},
		{"nothing before", func(b, a []Second) ([]Second, []Second) { return nil, a }, Criteria{}, CouldNotJudge, "only 0 s of steady work before", false},
		{"20 s after", func(b, a []Second) ([]Second, []Second) { return b, a[:20] }, Criteria{}, CouldNotJudge, "only 20 s of steady work after", true},
		{"feed half as high again", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.FeedTH *= 1.5 })
		}, Criteria{}, CouldNotJudge, "the feed went from 30 to 44 t/h", true},
		{"feed 30 % higher on purpose", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.FeedTH *= 1.3 })
		}, Criteria{OfFeed: true}, Better, "", false},
		{"no feed", func(b, a []Second) ([]Second, []Second) {
			none := func(s *Second) { s.FeedTH = 0 }
			return each(b, none), each(a, none)
		}, Criteria{}, CouldNotJudge, "feed is not known", false},
		{"faster", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.SpeedKmh = 6.5 })
		}, Criteria{}, CouldNotJudge, "ground speed went from 5.0 to 6.5 km/h", true},
		{"damper", func(b, a []Second) ([]Second, []Second) {
			return each(b, func(s *Second) { s.MoisturePct, s.MoistureKnown = 13, true }),
				each(a, func(s *Second) { s.MoisturePct, s.MoistureKnown = 15, true })
		}, Criteria{}, CouldNotJudge, "moisture went from 13.0 to 15.0 %", false},
		{"as damp", func(b, a []Second) ([]Second, []Second) {
			return each(b, func(s *Second) { s.MoisturePct, s.MoistureKnown = 13, true }),
				each(a, func(s *Second) { s.MoisturePct, s.MoistureKnown = 13.4, true })
		}, Criteria{}, Better, "", false},
		{"moisture heard only after", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.MoisturePct, s.MoistureKnown = 13.4, true })
		}, Criteria{}, Better, "", false},
		{"at the top", func(b, a []Second) ([]Second, []Second) {
			top := func(s *Second) { s.Symptom = 99 }
			return each(b, top), each(a, top)
		}, Criteria{Top: 100}, CouldNotJudge, "top of its range", false},
		{"from the top", func(b, a []Second) ([]Second, []Second) {
			return each(b, func(s *Second) { s.Symptom = min(100, 6*s.Symptom) }), a
		}, Criteria{Top: 100}, Better, "", false},
		{"up to the top", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.Symptom = min(100, 15*s.Symptom) })
		}, Criteria{Top: 100}, Worse, "", false},
		{"more feed, and far less of it", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.FeedTH *= 1.15; s.Symptom *= 0.8 })
		}, Criteria{}, Better, "", false},
		{"less feed, and less of it", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.FeedTH *= 0.85; s.Symptom *= 0.9 / 0.4 })
		}, Criteria{}, CouldNotJudge, "the feed went from", true},
		{"nothing to lessen", func(b, a []Second) ([]Second, []Second) {
			return each(b, func(s *Second) { s.Symptom = 0 }), a
		}, Criteria{}, CouldNotJudge, "nothing of it before", false},
		{"gone", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.Symptom = 0 })
		}, Criteria{}, Better, "", false},
		{"nothing changed", func(b, a []Second) ([]Second, []Second) {
			return b, each(a, func(s *Second) { s.Symptom /= 0.4 })
		}, Criteria{}, NoClearChange, "", false},
		{"nothing changed, and too short to tell", func(b, a []Second) ([]Second, []Second) {
			return b, each(a[:60], func(s *Second) { s.Symptom /= 0.4 })
		}, Criteria{WorthPct: 10}, NoClearChange, "", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, a := c.change(before, after)
			v := Compare(window(b), window(a), c.criteria)
			if v.Outcome != c.want || v.More != c.more || (c.why == "") != (v.Why == "") || !strings.Contains(v.Why, c.why) {
				t.Errorf("%s, why %q, more %v; want %s, %q, %v\n%+v", v.Outcome, v.Why, v.More, c.want, c.why, c.more, v.Level)
			}
		})
	}
}

// A level that stepped up in the middle of the window before is no ground to
// judge from: the sham says so, or the doubt is too large for a verdict.
func TestCompareShamSplit(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 0))
	for _, step := range []float64{1.4, 1.7, 2.5} {
		moving, verdicts := 0, 0
		for range *runs {
			before, after := usual().play(r, 600, 300)
			for i := range before[:300] {
				before[i].Symptom /= step
			}
			v := Compare(window(before), window(after), Criteria{})
			if strings.Contains(v.Why, "moving already") {
				moving++
			}
			if v.Outcome == Better || v.Outcome == Worse {
				verdicts++
			}
		}
		t.Logf("a step to %.1f: moving already in %d of %d, verdicts in %d", step, moving, *runs, verdicts)
		if step > 1.5 && 2*moving < *runs {
			t.Errorf("a step to %.1f: the sham saw it in %d of %d", step, moving, *runs)
		}
		if 20*verdicts > *runs {
			t.Errorf("a step to %.1f: %d verdicts in %d", step, verdicts, *runs)
		}
	}
}

// The numbers of a verdict are those of the world that was played.
func TestCompareTellsHowMuch(t *testing.T) {
	w := usual()
	w.change, w.feedErr, w.feedStep, w.cv = -0.5, 0.02, 0.05, 0.1
	before, after := w.play(rand.New(rand.NewPCG(10, 0)), 600, 600)
	for i := range after {
		after[i].Sides[2], after[i].SidesKnown[2] = 9, true
	}
	for i := range before {
		before[i].Sides[2], before[i].SidesKnown[2] = 3, true
	}
	v := Compare(window(before), window(after), Criteria{})
	near(t, "change", v.ChangePct, -50, 8)
	near(t, "after over before", v.After/v.Before, 0.5, 0.08)
	if v.LowPct > -50 || v.HighPct < -50 || v.ResolvablePct > 25 {
		t.Errorf("%+v", v.Level)
	}
	for i, s := range v.Sides {
		if s.Known != (i == 2) || (i == 2 && s.Outcome != Worse) {
			t.Errorf("side %d: %+v", i, s)
		}
	}
}

// The level follows feed^3.5: both windows show it, late or not.
func TestExponentAndLag(t *testing.T) {
	for _, c := range []struct {
		lagS, wantLag int
		cv            float64
	}{{0, 0, 0}, {0, 0, 0.1}, {10, 2, 0.1}, {15, 3, 0.1}} {
		w := usual()
		w.lagS, w.cv, w.feedErr, w.change = c.lagS, c.cv, 0, -0.4
		before, after := w.play(rand.New(rand.NewPCG(11, 0)), 600, 600)
		windows := [2]*Window{window(before), window(after)}
		var p pair
		p.load(windows)
		p.loadSymptom(windows)
		power, lag := p.follow()
		near(t, "exponent", power, 3.5, 0.3)
		if lag != c.wantLag {
			t.Errorf("late by %d s: lag of %d blocks", c.lagS, lag)
		}
	}
}

// Fieller's interval leaves out 1 exactly if the test rejects; its ends are
// where the test just does not.
func TestRatio(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := mean{rapid.Float64Range(0.1, 100).Draw(t, "a"), rapid.Float64Range(0.01, 20).Draw(t, "seA"), 8}
		b := mean{rapid.Float64Range(0, 100).Draw(t, "b"), rapid.Float64Range(0, 20).Draw(t, "seB"), 8}
		const wide = 2.5
		low, high, ok := ratio(a, b, wide)
		if !ok {
			if a.value > wide*a.se*1.0001 {
				t.Fatalf("no interval for %v", a)
			}
			return
		}
		for _, r := range []float64{low, high} {
			z := math.Abs(b.value-r*a.value) / math.Hypot(b.se, r*a.se)
			if math.Abs(z-wide) > 1e-4 && b.se+math.Abs(r) > 1e-6 {
				t.Fatalf("ratio %g lies %g standard errors off", r, z)
			}
		}
	})
}

// Whatever comes in, there is a verdict, in numbers, and always the same.
func TestCompareTakesAnything(t *testing.T) {
	number := rapid.OneOf(rapid.Float64Range(0, 100), rapid.Float64Range(-10, 1e8),
		rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300, 1e-300}))
	rapid.Check(t, func(t *rapid.T) {
		wild := rapid.IntRange(0, 10).Draw(t, "wild")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		odd := rapid.SliceOfN(number, 8, 8).Draw(t, "odd")
		var windows [2]Window
		at := signal.Instant(0)
		for k := range windows {
			for range rapid.IntRange(0, 1200).Draw(t, "seconds") {
				at = at.Add(time.Duration(r.Int64N(int64(2 * time.Second))))
				s := Second{At: at, Symptom: 20 * r.Float64(), FeedTH: 30 * r.Float64(), SpeedKmh: 5, MoistureKnown: r.IntN(2) == 0}
				if r.IntN(10) < wild {
					s.Symptom, s.FeedTH, s.SpeedKmh, s.MoisturePct = odd[r.IntN(8)], odd[r.IntN(8)], odd[r.IntN(8)], odd[r.IntN(8)]
				}
				s.Sides[1], s.SidesKnown[1] = odd[r.IntN(8)], r.IntN(9) > 0
				windows[k].Add(s)
			}
			if n := windows[k].Seconds(); n > MaxSeconds+blockS {
				t.Fatalf("%d seconds", n)
			}
		}
		c := Criteria{OfFeed: r.IntN(2) == 0, HigherIsBetter: r.IntN(2) == 0, Top: 100 * float64(r.IntN(2))}
		v := Compare(&windows[0], &windows[1], c)
		if v != Compare(&windows[0], &windows[1], c) {
			t.Fatalf("two verdicts")
		}
		if (v.Outcome == CouldNotJudge) != (v.Why != "") {
			t.Fatalf("%s, why %q", v.Outcome, v.Why)
		}
		for _, x := range []float64{v.Before, v.After, v.ChangePct, v.LowPct, v.HighPct, v.ResolvablePct} {
			if math.IsNaN(x) {
				t.Fatalf("%+v", v)
			}
		}
		if n := Needed(&windows[0], c); n < 0 || n > MaxSeconds {
			t.Fatalf("needs %d s", n)
		}
	})
}

func TestWindow(t *testing.T) {
	var w Window
	second := func(s float64) Second {
		return Second{At: signal.Instant(s * 1e9), Symptom: s, FeedTH: 30, SpeedKmh: 5}
	}
	for i := range 2000 {
		w.Add(second(float64(i)))
	}
	if w.Seconds() != MaxSeconds {
		t.Errorf("%d s after 2000", w.Seconds())
	}
	if first := w.block(0).symptom; first != 2000-MaxSeconds+2 {
		t.Errorf("the oldest block is of second %g", first)
	}
	w.Add(second(1500)) // not later
	w.Add(Second{At: signal.Instant(3e12), Symptom: math.NaN(), FeedTH: 1})
	if w.Seconds() != MaxSeconds {
		t.Error("took a second of before, or no number")
	}
	w.Reset()
	for _, s := range []float64{10, 11, 12, 500, 501, 502, 503, 504} {
		w.Add(second(s))
	}
	if w.Seconds() != 5 || w.block(0).symptom != 502 {
		t.Errorf("a block over a turn: %d s, level %g", w.Seconds(), w.block(0).symptom)
	}
	at := signal.Instant(1e12)
	if n := testing.AllocsPerRun(2000, func() {
		at = at.Add(time.Second)
		w.Add(Second{At: at, Symptom: 20, FeedTH: 30})
	}); n != 0 {
		t.Errorf("Add allocates %g times", n)
	}
}

func BenchmarkCompare(b *testing.B) {
	w := usual()
	w.sides = 6
	before, after := w.play(rand.New(rand.NewPCG(1, 0)), MaxSeconds, MaxSeconds)
	x, y := window(before), window(after)
	b.ReportAllocs()
	for b.Loop() {
		Compare(x, y, Criteria{})
	}
}
