package count

import (
	"fmt"
	"math"

	"chaffinch/internal/problem"
)

// Where is where kernels were counted.
type Where uint8

// The places, in the order in which the crop meets them.
const (
	PreHarvest Where = iota // in the standing crop: what has fallen by itself
	Header                  // in the cut strip that only the header has passed, after backing up
	Behind                  // where the rear discharged: all of it
	Pan                     // in a pan let go from under the machine: what the rear discharged alone
	places
)

func (w Where) String() string {
	switch w {
	case PreHarvest:
		return "in the standing crop"
	case Header:
		return "where only the header has passed"
	case Behind:
		return "behind the machine"
	case Pan:
		return "in the pan"
	}
	return "nowhere"
}

// Place is one place where kernels were counted, or weighed.
type Place struct {
	Where   Where
	Kernels int
	MassG   float64 // instead of Kernels, if the grain was cleaned and weighed
	AreaM2  float64
}

// Count is a count, with what makes a loss of it.
type Count struct {
	Places []Place
	// CutWidthM is how wide the crop is cut. DischargeWidthM is how wide the rear
	// drops what it loses: the band of straw and chaff, or the cut width if it
	// spreads over all of that.
	CutWidthM, DischargeWidthM float64
	ThousandKernelG            float64
	YieldTHa                   float64 // harvested; 0 if not known
	PricePerT                  float64 // 0 if not known
	AreaRateHaH                float64 // while cutting; 0 if not known
}

// EnoughKernels is how many kernels must have been counted before anything is
// made of a count: the error of counting them is then 20 % (95 %).
const EnoughKernels = 100

// Part is the loss of one origin. SE are standard errors of counting; a field
// is 0 where what it needs is not known.
type Part struct {
	Known bool
	// KgHa may be below 0 where little was lost: that is chance.
	KgHa, SE       float64
	Pct, PctSE     float64 // share of the crop: harvested and lost
	PerHa, PerHour float64 // money
	// Kernels is how many this part rests on; where they were weighed, how many
	// that was.
	Kernels int
	Enough  bool // EnoughKernels at least
}

// Result is what a count comes to.
type Result struct {
	PreHarvest    Part
	Header        Part
	Machine       Part // separation, cleaning and threshing: what the rear drops
	Harvest       Part // header and machine together: what harvesting costs
	Total         Part // and pre-harvest
	Concentration float64
	// Patchy is how many times more places of a kind differed than chance lets
	// kernels do: 1 is not at all. It takes three of a kind to see; the standard
	// errors have it within.
	Patchy float64
	Enough bool // the total is
}

// leastAreaM2 is ten square centimetres: a smaller frame is a slip of the
// finger, and would make an error without bounds of one kernel.
const leastAreaM2 = 1e-3

// zone is all places of one kind together.
type zone struct {
	counted         bool
	kernels, areaM2 float64
	perM2, variance float64
	patchy          float64
}

// Loss works out the count. Its error says what is missing or impossible.
func (c Count) Loss() (Result, error) {
	zones, err := c.zones()
	if err != nil {
		return Result{}, err
	}
	r := Result{Concentration: 1, Patchy: 1}
	ahead, under, behind, pan := zones[PreHarvest], zones[Header], zones[Behind], zones[Pan]
	if behind.counted || pan.counted {
		if r.Concentration, err = c.concentration(); err != nil {
			return Result{}, err
		}
	}
	cf := r.Concentration
	for _, z := range zones {
		r.Patchy = max(r.Patchy, z.patchy)
	}
	part := func(perM2, variance float64, from ...zone) Part {
		p := Part{Known: true, KgHa: KgHa(perM2, c.ThousandKernelG), SE: KgHa(math.Sqrt(variance), c.ThousandKernelG)}
		for _, z := range from {
			p.Kernels += int(math.Round(z.kernels))
		}
		p.Enough = p.Kernels >= EnoughKernels
		return p
	}

	if ahead.counted {
		r.PreHarvest = part(ahead.perM2, ahead.variance, ahead)
	}
	if ahead.counted && under.counted {
		r.Header = part(under.perM2-ahead.perM2, under.variance+ahead.variance, under, ahead)
	}
	switch {
	case pan.counted:
		r.Machine = part(pan.perM2/cf, pan.variance/(cf*cf), pan)
	case behind.counted && under.counted:
		r.Machine = part((behind.perM2-under.perM2)/cf, (behind.variance+under.variance)/(cf*cf), behind, under)
	}
	var rear zone
	share := 1.0 // of what lies under, in the total
	switch {
	case pan.counted:
		rear = pan
	case behind.counted:
		// What lies under is in both: (behind - under)/cf + under.
		rear, share = behind, 1-1/cf
	}
	if rear.counted && (under.counted || share == 0) {
		perM2, variance := rear.perM2/cf+under.perM2*share, rear.variance/(cf*cf)+under.variance*share*share
		r.Total = part(perM2, variance, rear, under)
		if ahead.counted {
			r.Harvest = part(perM2-ahead.perM2, variance+ahead.variance, rear, under, ahead)
		}
	}
	r.Enough = r.Total.Enough
	c.value(&r)
	return r, nil
}

// value adds shares and money. The share is of the harvest and all that is
// known to be lost.
func (c Count) value(r *Result) {
	parts := []*Part{&r.PreHarvest, &r.Header, &r.Machine, &r.Harvest, &r.Total}
	lost := r.Total.KgHa
	if !r.Total.Known {
		for _, p := range parts[:3] {
			lost += p.KgHa
		}
	}
	for _, p := range parts {
		p.PerHa = Money(p.KgHa, c.PricePerT)
		p.PerHour = p.PerHa * c.AreaRateHaH
		if crop := 1000*c.YieldTHa + max(lost, 0); c.YieldTHa > 0 {
			p.Pct = SharePct(p.KgHa, crop-p.KgHa)
			// A kernel more is a kernel more of the crop as well.
			p.PctSE = 100 * p.SE / crop * (1 - max(p.KgHa, 0)/crop)
		}
	}
}

// kernels is how many were found at a place, weighed ones included.
func (c Count) kernels(p Place) float64 {
	if p.MassG != 0 {
		return p.MassG / c.ThousandKernelG * 1000
	}
	return float64(p.Kernels)
}

// zones puts the places of a kind together.
func (c Count) zones() (zones [places]zone, err error) {
	if !(c.ThousandKernelG >= 0.1 && c.ThousandKernelG <= 2000) {
		return zones, &problem.Problem{What: fmt.Sprintf("a thousand kernels cannot weigh %g g", c.ThousandKernelG), Try: "weigh a thousand, or name the crop: wheat has about 35 g"}
	}
	for _, v := range []float64{c.YieldTHa, c.PricePerT, c.AreaRateHaH} {
		if v != 0 && !(v >= 1e-3 && v < 1e9) {
			return zones, &problem.Problem{What: fmt.Sprintf("yield, price and area rate cannot be %g", v), Try: "leave out what is not known"}
		}
	}
	for _, p := range c.Places {
		n := c.kernels(p)
		switch {
		case p.Where >= places:
			return zones, &problem.Problem{What: "nobody knows where that was counted", Try: "count in the standing crop, where only the header has passed, behind the machine or in a pan"}
		case !(p.AreaM2 >= leastAreaM2 && p.AreaM2 < 1e4):
			return zones, &problem.Problem{What: fmt.Sprintf("%s an area of %g m2 was counted", p.Where, p.AreaM2), Try: "give the area of the frame, strip or pan, such as 0.25 m2"}
		case !(n >= 0 && n < 1e7) || p.MassG < 0 || (p.MassG != 0 && p.Kernels != 0):
			return zones, &problem.Problem{What: fmt.Sprintf("%s there are %d kernels and %g g", p.Where, p.Kernels, p.MassG), Try: "give one of the two, from 0 up"}
		}
		z := &zones[p.Where]
		z.counted = true
		z.kernels, z.areaM2 = z.kernels+n, z.areaM2+p.AreaM2
	}
	if zones[Behind].counted && zones[Pan].counted {
		return zones, &problem.Problem{What: "kernels were counted behind the machine and in a pan", Try: "work out the one count and the other"}
	}
	for i := range zones {
		z := &zones[i]
		if !z.counted {
			continue
		}
		z.perM2 = z.kernels / z.areaM2
		// Of a Poisson count the variance is the count; where none was found there
		// might have been one.
		z.variance = max(z.kernels, 1) / (z.areaM2 * z.areaM2)
		chi, freedoms := 0.0, -1.0
		for _, p := range c.Places {
			if p.Where == Where(i) {
				freedoms++
				expected := max(z.perM2*p.AreaM2, 1e-9)
				chi += math.Pow(c.kernels(p)-z.perM2*p.AreaM2, 2) / expected
			}
		}
		z.patchy = 1
		if freedoms >= 2 {
			z.patchy = math.Sqrt(max(chi/freedoms, 1))
		}
		z.variance *= z.patchy * z.patchy
	}
	return zones, nil
}

// concentration is how many times the loss of the whole cut width lies on the
// band behind.
func (c Count) concentration() (float64, error) {
	if !(c.CutWidthM > 0 && c.CutWidthM < 100) {
		return 0, &problem.Problem{What: fmt.Sprintf("the cut width is %g m", c.CutWidthM), Try: "give the width that is really cut"}
	}
	if !(c.DischargeWidthM > 0) || c.DischargeWidthM > c.CutWidthM {
		return 0, &problem.Problem{What: fmt.Sprintf("what the rear loses lies on %g m of a cut of %g m", c.DischargeWidthM, c.CutWidthM),
			Try: "give the width of the band of straw and chaff, with chopper and spreader off; if they cannot be, count all over the cut width and give that"}
	}
	return c.CutWidthM / c.DischargeWidthM, nil
}
