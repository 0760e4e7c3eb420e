package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// estimate makes the feed of this step from what there is.
func (f *feedEstimate) estimate(s *State, power, fromGrain float64, grainKnown bool, cut float64, inCrop time.Duration) {
	gain, variance := f.gain.value(f.echo.delay)
	level := math.Sqrt(variance)
	mog := sdMOG * f.mogRatio / (1 + f.mogRatio)
	if _, then, ok := f.echo.before(rotorDelay); ok {
		cut = then // what enters the threshing element now was cut a while ago
	}
	fromDensity, densityOK := f.density.value()*cut, f.density.known() && cut > 0
	var rate, share, floor float64
	var basis FeedBasis
	factor := smoothFactor
	switch {
	case f.powerKnown && (f.net.quick || !grainKnown):
		basis, share = FromPower, f.priorSD()
		if f.gain.known() {
			share = math.Hypot(level, math.Hypot(mog, sdGrain))
			if grainKnown {
				basis = FromGrainFlow
			}
		}
		rate = power * gain
		_, emptyVar := f.empty.at(f.motion.mgv)
		floor = math.Sqrt(emptyVar) / f.kwhPerT * gain
		if !f.net.quick {
			factor = smoothFuel
		}
		local := math.Hypot(f.localSD(rate), f.motion.doubtKW()/f.kwhPerT*gain)
		if densityOK {
			rate, local = blend(rate, local, fromDensity, sdDensity*fromDensity)
		}
		if basis == FromPower {
			floor = math.Hypot(floor, local)
		}
	case grainKnown && (fromGrain > 1 || inCrop >= grainFillTime):
		basis, rate = FromGrainFlow, fromGrain
		share = math.Hypot(mog, 0.06)
		floor = 1
		switch {
		case densityOK:
			// What flows at the sensor entered a while ago; speed and width are of now.
			rate, _ = blend(fromGrain, sdLate*fromGrain, fromDensity, sdDensity*fromDensity)
			if inCrop < grainFillTime {
				rate, share = fromDensity, math.Hypot(share, sdDensity)
			}
		case inCrop < grainFillTime:
			share, floor = 0.5, 5
		}
	case densityOK:
		basis, rate = FromSpeedWidth, fromDensity
		share = math.Hypot(sdDensity, f.density.levelSD())
		if grainKnown {
			basis = FromGrainFlow // its level is
		}
	default:
		f.smooth = 0
		s.Feed = Feed{}
		return
	}
	if f.smooth == 0 && basis != FromPower {
		f.smooth = rate
	}
	f.smooth += factor * (rate - f.smooth)
	if inCrop < fillTime {
		share = math.Hypot(share, sdFill*(1-inCrop.Seconds()/fillTime.Seconds()))
		floor = math.Hypot(floor, 2)
	}
	s.Feed = Feed{Rate: signal.TPH(f.smooth), SD: signal.TPH(math.Hypot(share*f.smooth, floor)), Basis: basis}
}

// priorSD is the error of a level that rests on priors alone.
func (f *feedEstimate) priorSD() float64 {
	if f.own.RatedPowerKW <= 0 {
		return sdUnrated
	}
	return sdPrior
}

// localSD is what toughness and moisture, or the fuel rate's own jumps, do to a
// feed by power within minutes, in t/h.
func (f *feedEstimate) localSD(rate float64) float64 {
	if f.net.quick {
		return sdLocal * rate
	}
	return sdFuel * rate
}

// blend weighs two rates by their inverse variances, as far as their
// difference is one that these explain: what is beyond two standard deviations
// is news, and the first knows it.
func blend(a, sdA, b, sdB float64) (rate, sd float64) {
	total := math.Hypot(sdA, sdB)
	if !(total > 0) {
		return a, sdA
	}
	w := sdA / total * (sdA / total)
	return a - w*min(max(a-b, -2*total), 2*total), sdA * sdB / total
}
