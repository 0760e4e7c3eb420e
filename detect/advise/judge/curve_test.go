package judge

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// learn shows a curve hours of work at feeds about a mean, with loss as
// 3*(feed/30)^4 and a third of noise.
func learn(c *LossCurve, r *rand.Rand, hours, feed, spread, power float64) {
	own, flow := newAR(r, 3), newAR(r, 20)
	for range int(hours * 3600) {
		f := feed * max(1+spread*flow.next(r), 0.2)
		c.Add(f, max(3*math.Pow(f/30, power)*(1+0.33*own.next(r)), 0))
	}
}

func TestLossCurve(t *testing.T) {
	var c LossCurve
	if _, ok := c.Level(30); ok {
		t.Error("an empty curve knows a level")
	}
	r := rand.New(rand.NewPCG(21, 0))
	learn(&c, r, 2, 28, 0.15, 4)
	for _, feed := range []float64{23, 26, 28, 30, 33} {
		level, ok := c.Level(feed)
		want := 3 * math.Pow(feed/30, 4)
		if !ok || math.Abs(level/want-1) > 0.15 {
			t.Errorf("at %g t/h: %.2f %v, want %.2f", feed, level, ok, want)
		}
		back, ok := c.Feed(level)
		if !ok || math.Abs(back-feed) > 1e-6 {
			t.Errorf("the level of %g t/h lies at %g t/h, %v", feed, back, ok)
		}
	}
	if p, ok := c.Exponent(); !ok || math.Abs(p-4) > 0.5 {
		t.Errorf("exponent %.2f, %v", p, ok)
	}
	// Where a target of 2 % is reached.
	if feed, ok := c.Feed(2); !ok || math.Abs(feed/(30*math.Pow(2.0/3, 0.25))-1) > 0.04 {
		t.Errorf("2 %% at %.1f t/h, %v", feed, ok)
	}
	from, to, ok := c.Seen()
	if !ok || from > 21 || to < 34 || to > 45 {
		t.Errorf("seen %g to %g, %v", from, to, ok)
	}
	for _, level := range []float64{0, 50} {
		if feed, ok := c.Feed(level); ok {
			t.Errorf("a loss never seen, %g, is at %g t/h", level, feed)
		}
	}
	if _, ok := c.Level(60); ok {
		t.Error("knows a feed never seen")
	}

	c.Scale(0.5)
	if level, _ := c.Level(30); math.Abs(level-1.5) > 0.25 {
		t.Errorf("half of it at 30 t/h: %.2f", level)
	}
	// The afternoon is another crop: two hours of it and the morning is forgotten.
	learn(&c, r, 2, 28, 0.15, 2)
	if level, _ := c.Level(24); math.Abs(level/(3*0.64)-1) > 0.2 {
		t.Errorf("at 24 t/h in the afternoon: %.2f, want 1.92", level)
	}
	c.Reset()
	if _, _, ok := c.Seen(); ok {
		t.Error("has seen something after Reset")
	}
}

// A curve never falls, whatever it was shown, and adding does not allocate.
func TestLossCurveRises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c LossCurve
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		for range rapid.IntRange(0, 4000).Draw(t, "n") {
			c.Add(150*r.Float64(), 100*r.Float64())
		}
		c.Add(math.NaN(), 1)
		c.Add(1, math.Inf(1))
		last := math.Inf(-1)
		for feed := 0.0; feed < 160; feed += 0.5 {
			level, ok := c.Level(feed)
			if !ok {
				continue
			}
			if math.IsNaN(level) || level < last-1e-9 {
				t.Fatalf("falls to %g at %g t/h", level, feed)
			}
			last = level
		}
	})
	var c LossCurve
	if n := testing.AllocsPerRun(100, func() { c.Add(30, 3) }); n != 0 {
		t.Errorf("Add allocates %g times", n)
	}
}
