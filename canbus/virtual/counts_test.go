package virtual

import (
	"math"
	"testing"

	"chaffinch/internal/outside"
)

// Kernels on the ground are the loss, by the counting rules: N = 100 L / TKW
// (check H051), machine loss concentrated by cut width over discharge width
// (H058), places as in the rules of NDSU and MU Extension.
func TestGroundIsTheLoss(t *testing.T) {
	c := even(t, map[string]float64{"ground_speed": 5, "concave": 14})
	g, now := c.Ground(), c.Condition().Now
	kgHa := func(perM2 float64) float64 { return perM2 * g.ThousandKernelG / 100 }
	k := outside.PublishedRow(t, "H051")
	near(t, "H051", 100*k.In["loss_kg_ha"]/k.In["tkw_g"], k.Want, k.Tolerance)
	near(t, "H051 by the ground", kgHa(k.Want), k.In["loss_kg_ha"]*g.ThousandKernelG/k.In["tkw_g"], 0.1)

	crop := c.crop.YieldTHa * 1000
	near(t, "header kg/ha", kgHa(g.Header-g.PreHarvest), crop*now.HeaderPct/100, 1e-6)
	machine := kgHa(g.Behind-g.Header) / (g.CutWidthM / g.DischargeWidthM)
	near(t, "machine kg/ha", machine, crop*(now.SeparationPct+now.CleaningPct)/100, 1e-6)
	if cf := g.CutWidthM / g.DischargeWidthM; cf < 3 || cf > 9 {
		t.Errorf("concentrated %.1f times", cf)
	}
	if machine < 0.005*crop || machine > 0.05*crop {
		t.Errorf("%.0f kg/ha of %.0f", machine, crop)
	}
	if now.LossPct() <= now.HeaderPct {
		t.Error("header and machine together lose less than the header")
	}

	// What lies there stays when the machine has stopped and emptied itself.
	c.op.passSpeed = 0
	c.op.enter(c, pausing)
	for range 6000 {
		c.advance()
	}
	if c.Ground() != g {
		t.Errorf("%+v, was %+v", c.Ground(), g)
	}
}

// A count is a Poisson draw: mean and variance agree, on both sides of where
// the way of drawing changes.
func TestFoundIsPoisson(t *testing.T) {
	for _, mean := range []float64{0.3, 12, 390, 410, 5000} {
		var sum, square float64
		const n = 4000
		for seed := range uint64(n) {
			v := float64(Found(mean*10, 0.1, seed))
			sum += v
			square += v * v
		}
		m := sum / n
		near(t, "mean", m, mean, 4*math.Sqrt(mean/n))
		near(t, "variance over mean", (square/n-m*m)/mean, 1, 0.1)
	}
	again := Found(100, 1, 7)
	if Found(100, 1, 7) != again || Found(0, 1, 7) != 0 || Found(-3, 1, 7) != 0 {
		t.Error("a draw is not its seed's")
	}
}

// What the tank and the returns show is what the settings do.
func TestSample(t *testing.T) {
	usual := even(t, map[string]float64{"ground_speed": 5}).Sample()
	near(t, "shares", usual.ReturnedGrain+usual.ReturnedHeads+usual.ReturnedChaff, 1, 1e-9)
	near(t, "usual broken", usual.Broken, 1, 0.1)
	near(t, "usual unthreshed", usual.Unthreshed, 1, 0.1)
	for _, tc := range []struct {
		settings map[string]float64
		more     func(s Sample) float64
	}{
		{map[string]float64{"concave": 15}, func(s Sample) float64 { return s.UnthreshedPct }},
		{map[string]float64{"concave": 15}, func(s Sample) float64 { return s.ReturnedHeads }},
		{map[string]float64{"rotor_speed": 850}, func(s Sample) float64 { return s.BrokenPct }},
		{map[string]float64{"fan_speed": 760}, func(s Sample) float64 { return s.TrashPct }},
		{map[string]float64{"fan_speed": 760}, func(s Sample) float64 { return s.ReturnedChaff }},
		{map[string]float64{"lower_sieve": 5}, func(s Sample) float64 { return s.ReturnedGrain }},
	} {
		tc.settings["ground_speed"] = 5
		if s := even(t, tc.settings).Sample(); tc.more(s) < 1.2*tc.more(usual) {
			t.Errorf("%v: %.2f, usually %.2f", tc.settings, tc.more(s), tc.more(usual))
		}
	}
}
