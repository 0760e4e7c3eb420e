package count

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/problem"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %g, want %g within %g", what, got, want, tolerance)
	}
}

// wheat is a count of which everything is known.
func wheat() Count {
	return Count{CutWidthM: 9, DischargeWidthM: 1.5, ThousandKernelG: 35, YieldTHa: 7, PricePerT: 200, AreaRateHaH: 4,
		Places: []Place{{Where: PreHarvest, Kernels: 20, AreaM2: 1}, {Where: Header, Kernels: 80, AreaM2: 1}, {Where: Behind, Kernels: 680, AreaM2: 1}}}
}

// By hand: 20, 80 and 680 kernels/m2 at 35 g are 7, 28 and 238 kg/ha; the rear
// drops (238-28)/6.
func TestLossByOrigin(t *testing.T) {
	r, err := wheat().Loss()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "concentration", r.Concentration, 6, 1e-12)
	for _, c := range []struct {
		name    string
		part    Part
		kgHa    float64
		kernels int
	}{
		{"pre-harvest", r.PreHarvest, 7, 20}, {"header", r.Header, 21, 100}, {"machine", r.Machine, 35, 760}, {"total", r.Total, 63, 760}, {"header and machine", r.Harvest, 56, 780},
	} {
		near(t, c.name, c.part.KgHa, c.kgHa, 1e-9)
		near(t, c.name+", share", c.part.Pct, 100*c.kgHa/7063, 1e-9)
		near(t, c.name+", money a hectare", c.part.PerHa, c.kgHa*0.2, 1e-9)
		near(t, c.name+", money an hour", c.part.PerHour, c.kgHa*0.8, 1e-9)
		if c.part.Kernels != c.kernels || c.part.Enough != (c.kernels >= 100) || !c.part.Known {
			t.Errorf("%s rests on %d kernels, enough %v", c.name, c.part.Kernels, c.part.Enough)
		}
	}
	near(t, "error of the header", r.Header.SE, 0.35*math.Sqrt(100), 1e-9)
	near(t, "error of the machine", r.Machine.SE, 0.35*math.Sqrt(760)/6, 1e-9)
	near(t, "error of header and machine", r.Harvest.SE, 0.35*math.Sqrt(680.0/36+80*25.0/36+20), 1e-9)
	near(t, "error of all", r.Total.SE, 0.35*math.Sqrt(680.0/36+80*25.0/36), 1e-9)
}

// What was not counted is not known, and nothing is made of it.
func TestLossOfPart(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Count)
		known  string
	}{
		{"all", func(c *Count) {}, "pre-harvest header machine harvest total"},
		{"not ahead", func(c *Count) { c.Places = c.Places[1:] }, "machine total"},
		{"only ahead", func(c *Count) { c.Places = c.Places[:1]; c.CutWidthM = 0 }, "pre-harvest"},
		{"not the header", func(c *Count) { c.Places = []Place{c.Places[0], c.Places[2]} }, "pre-harvest"},
		{"only behind", func(c *Count) { c.Places = c.Places[2:] }, ""},
		{"only behind, spread over the cut", func(c *Count) { c.Places = c.Places[2:]; c.DischargeWidthM = 9 }, "total"},
		{"a pan", func(c *Count) { c.Places = []Place{{Where: Pan, MassG: 60, AreaM2: 0.3}} }, "machine"},
		{"a pan and the header", func(c *Count) { c.Places = []Place{c.Places[1], {Where: Pan, MassG: 60, AreaM2: 0.3}} }, "machine total"},
	} {
		count := wheat()
		c.change(&count)
		r, err := count.Loss()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var known []string
		for _, p := range []struct {
			name string
			part Part
		}{{"pre-harvest", r.PreHarvest}, {"header", r.Header}, {"machine", r.Machine}, {"harvest", r.Harvest}, {"total", r.Total}} {
			if p.part.Known {
				known = append(known, p.name)
			} else if p.part != (Part{}) {
				t.Errorf("%s: %s is not known, and %+v", c.name, p.name, p.part)
			}
		}
		if got := strings.Join(known, " "); got != c.known {
			t.Errorf("%s: known are %q, want %q", c.name, got, c.known)
		}
	}
}

func TestLossRefuses(t *testing.T) {
	for _, c := range []struct {
		name, what string
		change     func(*Count)
	}{
		{"no area", "an area of 0 m2", func(c *Count) { c.Places[0].AreaM2 = 0 }},
		{"fewer than none", "-3 kernels", func(c *Count) { c.Places[1].Kernels = -3 }},
		{"kernels and mass", "680 kernels and 3 g", func(c *Count) { c.Places[2].MassG = 3 }},
		{"pan and ground", "behind the machine and in a pan", func(c *Count) { c.Places = append(c.Places, Place{Where: Pan, Kernels: 9, AreaM2: 1}) }},
		{"no kernel mass", "cannot weigh 0 g", func(c *Count) { c.ThousandKernelG = 0 }},
		{"no number", "cannot be NaN", func(c *Count) { c.YieldTHa = math.NaN() }},
		{"a band wider than the cut", "on 12 m of a cut of 9 m", func(c *Count) { c.DischargeWidthM = 12 }},
		{"no cut width", "cut width is 0 m", func(c *Count) { c.CutWidthM = 0 }},
		{"nowhere", "nobody knows where", func(c *Count) { c.Places[0].Where = 9 }},
	} {
		count := wheat()
		c.change(&count)
		_, err := count.Loss()
		var p *problem.Problem
		if !errors.As(err, &p) || !strings.Contains(p.What, c.what) || p.Try == "" {
			t.Errorf("%s: %v, want %q and what to do", c.name, err, c.what)
		}
	}
}

// The error of counting is what repeated counts show, also of kernels that lie
// in patches.
func TestErrorsAreHonest(t *testing.T) {
	const seed = 31
	r := rand.New(rand.NewPCG(seed, 0))
	for _, patchy := range []float64{0, 0.5} {
		within := map[string]int{}
		const n = 2000
		for range n {
			c := wheat()
			c.Places = nil
			for range 6 {
				for where, perM2 := range []float64{20, 80, 680} {
					patch := math.Exp(patchy*r.NormFloat64() - patchy*patchy/2)
					c.Places = append(c.Places, Place{Where: Where(where), Kernels: virtual.Found(perM2*patch, 0.25, r.Uint64()), AreaM2: 0.25})
				}
			}
			got, err := c.Loss()
			if err != nil {
				t.Fatal(err)
			}
			for name, v := range map[string]struct {
				p    Part
				want float64
			}{"header": {got.Header, 21}, "machine": {got.Machine, 35}, "total": {got.Total, 63}} {
				if math.Abs(v.p.KgHa-v.want) < 1.96*v.p.SE {
					within[name]++
				}
			}
		}
		for _, name := range []string{"header", "machine", "total"} {
			share := 100 * float64(within[name]) / n
			t.Logf("seed %d, patches of %.0f %%: the 95 %% interval of %s held the truth in %.1f %%", seed, 100*patchy, name, share)
			if share < 93-20*patchy { // six places tell patches only roughly
				t.Errorf("%s: %.1f %%", name, share)
			}
		}
	}
}

// Somebody counts behind the virtual combine; the arithmetic gives back what
// the machine really lost there.
func TestCountBehindTheVirtualCombine(t *testing.T) {
	c := virtual.New(virtual.Scenario{Crop: "wheat", Hours: 1, InCrop: true}, 5)
	var frames [20_000]canbus.Frame
	for range 10 {
		c.Next(frames[:])
	}
	g := c.Ground()
	if g.Behind == 0 {
		t.Fatal("nothing lies behind it")
	}
	const area = 2.0
	count := Count{CutWidthM: g.CutWidthM, DischargeWidthM: g.DischargeWidthM, ThousandKernelG: g.ThousandKernelG, YieldTHa: g.YieldTHa}
	for where, perM2 := range []float64{g.PreHarvest, g.Header, g.Behind} {
		count.Places = append(count.Places, Place{Where: Where(where), Kernels: virtual.Found(perM2, area, uint64(where)), AreaM2: area})
	}
	r := loss(t, count)
	now := c.Condition().Now
	t.Logf("counted %+v, truth %+v", r, now)
	near(t, "machine loss, %", r.Machine.Pct, now.SeparationPct+now.CleaningPct, 3*r.Machine.PctSE+0.02*r.Machine.Pct)
	near(t, "header loss, %", r.Header.Pct, now.HeaderPct, 3*r.Header.PctSE+0.02*r.Header.Pct)
}

// Comparing: Poisson counts of a hundred tell no change under 28 %; eight
// against six tell nothing.
func TestCompare(t *testing.T) {
	part := func(kernels int) Part {
		return Part{Known: true, KgHa: float64(kernels), SE: math.Sqrt(float64(max(kernels, 1))), Kernels: kernels, Enough: kernels >= EnoughKernels}
	}
	for _, c := range []struct {
		before, after int
		clear         bool
		why           string
	}{
		{100, 75, false, ""}, {100, 70, true, ""}, {100, 100, false, ""}, {100, 135, true, ""}, {100, 0, true, ""},
		{8, 6, false, "only 8 kernels"}, {8, 300, true, ""}, {99, 10, false, "only 99 kernels"}, {300, 8, true, ""}, {0, 0, false, "only 0 kernels"},
	} {
		got := Compare(part(c.before), part(c.after))
		if got.Clear != c.clear || !strings.Contains(got.Why, c.why) || (c.why == "") != (got.Why == "") {
			t.Errorf("%d to %d: clear %v, %q", c.before, c.after, got.Clear, got.Why)
		}
	}
	near(t, "what two hundreds tell, %", Compare(part(100), part(100)).ResolvablePct, 27.7, 0.1)
	if got := Compare(part(100), Part{}); got.Clear || got.Why == "" {
		t.Errorf("of one count: %+v", got)
	}
}

// Of next to nothing there are no percent: 300 kernels on 0.3 m2 and 1100 on 1.1 m2
// are as dense, but for the last bit of the division.
func TestCompareWithNextToNothing(t *testing.T) {
	for _, before := range []float64{-3, 0, 1e-14, 0.5} {
		c := Compare(Part{Known: true, KgHa: before, SE: 6, Kernels: 1400, Enough: true}, Part{Known: true, KgHa: 60, SE: 7, Kernels: 900, Enough: true})
		if !c.Clear || c.Pct != 0 || c.LowPct != 0 || c.HighPct != 0 || c.ResolvablePct != 0 {
			t.Errorf("from %g: %+v", before, c)
		}
	}
}

// Clear is wrong in 5 % of cases at most, and the interval holds the truth.
func TestCompareIsHonest(t *testing.T) {
	const seed = 33
	r := rand.New(rand.NewPCG(seed, 0))
	for _, truth := range []float64{0.4, 0.7, 1, 1.6} {
		clear, contrary, within := 0, 0, 0
		const n = 4000
		for range n {
			part := func(mean float64) Part {
				k := virtual.Found(mean, 1, r.Uint64())
				return Part{Known: true, KgHa: float64(k), SE: math.Sqrt(float64(max(k, 1))), Kernels: k, Enough: k >= EnoughKernels}
			}
			c := Compare(part(150), part(150*truth))
			if c.Clear {
				clear++
				if (c.KgHa > 0) != (truth > 1) {
					contrary++
				}
			}
			if c.LowPct <= 100*(truth-1) && 100*(truth-1) <= c.HighPct {
				within++
			}
		}
		t.Logf("seed %d, to %.0f %%: clear in %.1f %%, interval right in %.1f %%", seed, 100*truth, 100*float64(clear)/n, 100*float64(within)/n)
		if truth == 1 && clear > n*6/100 {
			t.Errorf("nothing changed, clear in %d of %d", clear, n)
		}
		if truth != 1 && contrary > n/500 {
			t.Errorf("to %.0f %%: %d contrary", 100*truth, contrary)
		}
		if within < n*93/100 {
			t.Errorf("to %.0f %%: the interval held the truth in %d of %d", 100*truth, within, n)
		}
	}
}

// Whatever was counted, there is an error with a remedy or there are numbers;
// and all parts add up.
func TestLossTakesAnything(t *testing.T) {
	number := rapid.OneOf(rapid.Float64Range(0, 100), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), 1e300, 1e-300}))
	rapid.Check(t, func(t *rapid.T) {
		c := Count{CutWidthM: number.Draw(t, "cut"), DischargeWidthM: number.Draw(t, "band"), ThousandKernelG: number.Draw(t, "mass"),
			YieldTHa: number.Draw(t, "yield"), PricePerT: number.Draw(t, "price"), AreaRateHaH: number.Draw(t, "rate")}
		for range rapid.IntRange(0, 5).Draw(t, "places") {
			c.Places = append(c.Places, Place{Where: Where(rapid.IntRange(0, 4).Draw(t, "where")), Kernels: rapid.IntRange(-2, 3000).Draw(t, "kernels"),
				MassG: rapid.SampledFrom([]float64{0, 0, 0, 5, math.NaN(), math.Inf(1)}).Draw(t, "grams"), AreaM2: number.Draw(t, "area")})
		}
		r, err := c.Loss()
		if err != nil {
			var p *problem.Problem
			if !errors.As(err, &p) || p.Try == "" {
				t.Fatalf("no remedy: %v", err)
			}
			return
		}
		for _, p := range []Part{r.PreHarvest, r.Header, r.Machine, r.Harvest, r.Total} {
			for _, v := range []float64{p.KgHa, p.SE, p.Pct, p.PctSE, p.PerHa, p.PerHour} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("%+v", r)
				}
			}
		}
		if r.Header.Known && r.Machine.Known && r.Total.Known {
			if sum := r.PreHarvest.KgHa + r.Header.KgHa + r.Machine.KgHa; math.Abs(sum-r.Total.KgHa) > 1e-9*math.Max(1, math.Abs(sum)) {
				t.Fatalf("%g and the parts %g", r.Total.KgHa, sum)
			}
		}
	})
}
