package virtual

import "math"

// Ground is what somebody who stops now would find on the ground, in kernels
// per m2: the expected numbers, by the places of the counting rules.
type Ground struct {
	PreHarvest float64 // in the standing crop
	Header     float64 // in front of the wheels after backing up: and what the header lost
	Behind     float64 // where the rear discharged: all of it, straw and chaff in a band
	// What turns kernels into kg/ha.
	CutWidthM, DischargeWidthM, ThousandKernelG, YieldTHa float64
}

// Ground is what a count would find of the last seconds of cutting.
func (c *Combine) Ground() Ground {
	g, now := grains[c.crop.Name], c.Condition().Now
	perM2 := func(pct float64) float64 { // kg/ha over g per thousand kernels
		return 100 * (10 * c.crop.YieldTHa * pct) / g.thousandG
	}
	k := Ground{CutWidthM: c.op.cutWidthM, DischargeWidthM: round1(0.7 + 1.4*c.model.RotorDiameterM), ThousandKernelG: g.thousandG, YieldTHa: c.crop.YieldTHa}
	k.PreHarvest = perM2(g.standingPct)
	k.Header = k.PreHarvest + perM2(now.HeaderPct)
	k.Behind = k.Header + perM2(now.SeparationPct+now.CleaningPct)*k.CutWidthM/k.DischargeWidthM
	return k
}

// Found is a number of kernels that somebody counts on an area of so many m2
// where there are so many per m2 on average: a Poisson draw, the same for the
// same seed.
func Found(perM2, areaM2 float64, seed uint64) int {
	s := newStream(seed, 91)
	mean := max(0, perM2*areaM2)
	if mean > 400 { // by now it is normal
		return int(max(0, math.Round(mean+math.Sqrt(mean)*s.normal())))
	}
	n, rest, limit := 0, s.unit(), math.Exp(-mean)
	for rest > limit { // Knuth, The Art of Computer Programming, 3.4.1
		n++
		rest *= s.unit()
	}
	return n
}

// Sample is what a handful from the tank and one of the returns would show.
type Sample struct {
	BrokenPct, TrashPct, UnthreshedPct float64 // of the tank's newest grain
	// Shares of the returns.
	ReturnedGrain, ReturnedHeads, ReturnedChaff float64
	// The same of the tank beside what the crop's usual settings give there: 1
	// is usual.
	Broken, Trash, Unthreshed float64
	// StrawFine is how much more short straw there is than usual: 1 is usual.
	StrawFine float64
}

// Sample is what somebody would see who looks now.
func (c *Combine) Sample() Sample {
	k := c.Condition()
	n, u := &k.Now, &k.Usual
	return Sample{
		StrawFine: fineness(&c.levers.usual, &c.levers.at),
		BrokenPct: n.BrokenPct, TrashPct: n.TrashPct, UnthreshedPct: n.UnthreshedPct,
		ReturnedGrain: n.ReturnedGrain, ReturnedHeads: n.ReturnedHeads, ReturnedChaff: 1 - n.ReturnedGrain - n.ReturnedHeads,
		Broken: n.Broken / u.Broken, Trash: n.Trash / u.Trash, Unthreshed: n.Unthreshed / u.Unthreshed,
	}
}
