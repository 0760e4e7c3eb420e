package machine

import (
	"time"

	"chaffinch/canbus/signal"
)

// feedEstimate is the estimate of the crop that enters the threshing element.
//
// Engine power less what the machine takes without crop, over the specific
// energy, follows the crop within seconds but is uncertain in level. Grain
// flow is good in level but comes a transport delay later. So power gives the
// movement, and what is learned slowly gives the level: the power of empty
// running on headlands (emptyRunning), and the specific energy from grain flow
// and the power of a delay ago (cropGain). Ground speed times width times a
// density that is learned beside them stands in where power is slow or absent.
//
// The parts are filters of one and two numbers rather than one filter of all:
// each has its own times of learning (turns; steady cutting with grain flow),
// and none can drag another along when its own input goes wrong.
type feedEstimate struct {
	own      Settings
	ratedKW  float64
	kwhPerT  float64 // prior of the specific energy, per tonne of feed
	mogRatio float64

	net    netPower
	motion motion
	empty  emptyRunning
	gain   cropGain
	echo   echo
	tank   tank

	density densityLevel
	comfort slow // feed at comfortFullLoad, t/h
	knee    knee
	smooth  float64

	cropKW     float64 // engine power beyond that of empty running
	powerKnown bool

	lastGrain float64
	grainSame int // seconds that grain flow has not changed to the bit

	lastSecond signal.Instant
	outSince   signal.Instant // since when the machine is out of the crop
	awaySince  signal.Instant // since when it drives with threshing off
}

const (
	// nominalKW stands in for a rated power that is not known: the feed then
	// is a relative series, and its SD says so.
	nominalKW = 300
	// nominalRPM is a usual rated speed, 1,900 to 2,200 (from memory).
	nominalRPM = 2000
	// auxiliaryShare is cooling, hydraulics and air of a machine that runs, and
	// headerShare its header and chopper without crop, as shares of rated power
	// (common practice, no source).
	auxiliaryShare = 0.06
	headerShare    = 0.04
	// peakTorque over torque at rated speed, as torque (SPN 513) is a share of
	// the peak: 1.25 to 1.45 (common practice, no source).
	peakTorque = 1.35
	// chopperKWhT and headerKWhT come on top of the rotary power of ASABE D497:
	// a chopper per tonne of MOG (fine ones take 20 to 60 kW), header and
	// feeder house per tonne of all (common practice, no source).
	chopperKWhT = 0.6
	headerKWhT  = 0.1
	// unloadingShare of the rated power drives the unloading auger: 15 to 40
	// kW (common practice, no source).
	unloadingShare = 0.1
	// stuckSeconds of the same grain flow to the bit, in crop, are no
	// measurement that anything could be learned from.
	stuckSeconds = 5
	// frozenSeconds of it, and power is the better route.
	frozenSeconds = 20
	// mostTH is beyond what any combine threshes.
	mostTH = 500
	// emptyAfter is how long a machine takes to run empty out of the crop.
	emptyAfter = 8 * time.Second
	// emptyEnough bounds what one stay out of the crop can teach: a plugged
	// machine may stand there for minutes under load.
	emptyEnough = 25 * time.Second
	// fillTime is how long a machine takes to fill: feeder and rotor first,
	// then cleaning and chopper.
	fillTime = 10 * time.Second
	// grainFillTime is the same up to the flow sensor.
	grainFillTime = 25 * time.Second
	// rotorDelay in s is the way from the knife to the threshing element: 2 to
	// 5 s (common practice).
	rotorDelay = 3
	// awayLong with threshing off may end in another field.
	awayLong = 3 * time.Minute
	// comfortFullLoad is the engine load of a comfortably full machine: 75 to
	// 85 %, 90 % and more only in even crop (common practice, no source).
	comfortFullLoad = 88
)

// Standard deviations, as shares of the feed.
const (
	sdUnrated = 0.5
	// sdPrior is of the specific energy of crops: D497 gives +/-50 % as the
	// range of its small-grain coefficients, +/-30 % for maize: their mean is
	// three of it. What is learned may go further.
	sdPrior = 0.13
	sdWide  = 0.3
	// sdMOG is of the MOG ratio of a field about that of its crop, sdGrain of
	// the calibration of a grain flow sensor.
	sdMOG   = 0.08
	sdGrain = 0.02
	// sdLocal is what toughness and moisture do to the specific energy within
	// minutes.
	sdLocal      = 0.03
	sdFuel       = 0.1
	sdDensity    = 0.1  // of the crop within a field, over half a minute
	sdLate       = 0.15 // of a feed by grain flow, for what has happened since
	sdOutOfCrop  = 1.0  // t/h
	sdFill       = 0.3  // at entry, falling to nothing over fillTime
	smoothFactor = 0.1  // a step: 1 s
	smoothFuel   = 0.02 // a step: 5 s; fuel rate jumps by a tenth in a second on a real combine
)

func newFeedEstimate(own Settings, crop Crop) feedEstimate {
	f := feedEstimate{own: own, ratedKW: own.RatedPowerKW, kwhPerT: crop.KWhPerTonneOfFeed(), mogRatio: crop.MOGRatio}
	if f.ratedKW <= 0 {
		f.ratedKW = nominalKW
	}
	if f.own.MassT <= 0 {
		f.own.MassT = DefaultSettings().MassT
	}
	if !(f.kwhPerT > 0.05) {
		f.kwhPerT, f.mogRatio = 1.6, 0.8 // wheat: 3.6 kWh per tonne of MOG (ASABE D497)
	}
	f.kwhPerT += chopperKWhT*f.mogRatio/(1+f.mogRatio) + headerKWhT
	f.net.ratedKW = f.ratedKW
	f.empty = newEmptyRunning(crop.IdlePowerKW+(auxiliaryShare+headerShare)*f.ratedKW, f.ratedKW)
	f.tank = newTank(f.own.MassT, crop.TestWeightKgHL)
	prior := sdWide
	if own.RatedPowerKW <= 0 {
		prior = sdUnrated
	}
	f.gain = newCropGain(prior)
	f.density.reset()
	f.reset()
	return f
}

// reset forgets the moment and keeps what was learned.
func (f *feedEstimate) reset() {
	f.lastSecond, f.outSince, f.awaySince = signal.Never, signal.Never, signal.Never
	f.smooth = 0
	f.echo.count = 0
	f.motion = motion{}
	f.gain.loosen(0)
	f.grainSame = 0
}

// power works out the engine's power and how it divides, before anything is
// decided from it.
func (f *feedEstimate) power(s *State) (second bool) {
	second = s.Now.Sub(f.lastSecond) >= time.Second
	if second {
		f.lastSecond = s.Now
		f.empty.pass()
		f.gain.pass()
	}
	f.net.step(s)
	f.motion.step(s, f.tank.massT(f.own.MassT), second)
	f.powerKnown = f.net.known
	f.cropKW = 0
	if f.powerKnown {
		f.cropKW = f.net.kW - f.motion.propulsion(f.empty.roll) - f.empty.base
		if isUnloading(s) {
			f.cropKW -= unloadingShare * f.ratedKW
		}
	}
	return second
}

// bareKW is the engine power less propulsion: threshing and auxiliaries, with
// crop or without. Nothing learned from activities is in it, for it decides on
// them.
func (f *feedEstimate) bareKW() float64 { return f.net.kW - f.motion.propulsion(priorRoll) }

func (f *feedEstimate) step(s *State, second bool, w *working) {
	unloading := w.unloading.is == Yes
	grain, grainKnown := signal.GrainFlow.Fresh(&s.Signals, s.Now)
	if grainKnown = grainKnown && grain >= 0 && grain < mostTH; !grainKnown {
		grain = 0
	}
	if f.powerKnown && f.grainSame >= frozenSeconds && s.Activity == Cutting {
		grainKnown = false // the alarm for stuck signals tells of it
	}
	fromGrain := float64(grain) * (1 + f.mogRatio)
	if second {
		f.onBoard(s, float64(grain), grainKnown, unloading)
	}
	if s.Activity != Cutting {
		f.outOfCrop(s, second, unloading, w.sureOut)
		if s.Activity == Turning && w.header.basis == enginePower && !w.sureOut && f.powerKnown {
			// Only a fall of power says that it is out of the crop: thin crop
			// may do that as well.
			f.estimate(s, max(0, f.cropKW/f.kwhPerT), fromGrain, grainKnown, 0, fillTime)
		}
		return
	}
	f.outSince, f.awaySince = signal.Never, signal.Never
	inCrop := s.Now.Sub(s.InCrop)
	cut := f.cut(s)
	power := max(0, f.cropKW/f.kwhPerT)
	f.estimate(s, power, fromGrain, grainKnown, cut, inCrop)
	if second {
		f.learnInCrop(s, power, fromGrain, grainKnown, cut, inCrop)
	}
	f.fullness(s)
}

// onBoard follows the weight of the grain in the tank.
func (f *feedEstimate) onBoard(s *State, grain float64, grainKnown, unloading bool) {
	if !grainKnown {
		grain = 0
		if s.Activity == Cutting {
			grain = f.smooth / (1 + f.mogRatio)
		}
	}
	f.tank.second(grain, unloading, f.own.MassT)
}

// outOfCrop says that nothing enters, and learns what empty running takes.
func (f *feedEstimate) outOfCrop(s *State, second, unloading, sure bool) {
	f.smooth *= 1 - smoothFactor
	basis := s.Feed.Basis
	if s.Activity == Travelling && s.Threshing != Yes {
		if f.awaySince == signal.Never {
			f.awaySince = s.Now
		}
	} else if f.awaySince != signal.Never {
		if s.Now.Sub(f.awaySince) >= awayLong {
			f.gain.loosen(0.08)
			f.density.loosen()
		}
		f.awaySince = signal.Never
	}
	switch s.Activity {
	case Unknown:
		f.smooth = 0
		s.Feed = Feed{}
		return
	case Turning, Waiting:
	default:
		f.smooth = 0
	}
	s.Feed = Feed{Rate: signal.TPH(f.smooth), SD: sdOutOfCrop, Basis: basis}
	if f.outSince == signal.Never {
		f.outSince = s.Now
		f.gain.breakOff()
	}
	out := s.Now.Sub(f.outSince)
	empty := out >= emptyAfter && out < emptyEnough && (s.Activity == Turning || s.Activity == Waiting) && s.Threshing == Yes
	if second && sure && empty && f.powerKnown && !unloading && (f.motion.steady || s.Activity == Waiting) {
		f.empty.learn(f.net.kW-f.motion.climbKW, f.motion.mgv, f.motion.doubtKW())
	}
}

// cut is speed times width in ha/h, 0 if either is not known.
func (f *feedEstimate) cut(s *State) float64 {
	width := float64(f.own.CutWidth)
	if w, ok := signal.CutWidth.Fresh(&s.Signals, s.Now); ok && w > 0 {
		width = float64(w)
	}
	if !s.Speed.Known || !(s.Speed.Value >= stopKPH && s.Speed.Value < 80) || !(width < 100) {
		return 0
	}
	return float64(s.Speed.Value) * width / 10
}

// learnInCrop runs once a second.
func (f *feedEstimate) learnInCrop(s *State, power, grain float64, grainKnown bool, cut float64, inCrop time.Duration) {
	f.echo.push(power, cut, s.Now)
	if grain == f.lastGrain {
		f.grainSame++
	} else {
		f.lastGrain, f.grainSame = grain, 0
	}
	settled := inCrop >= time.Duration(f.echo.delay)*time.Second+15*time.Second
	fine := grainKnown && settled && f.grainSame < stuckSeconds
	if fine {
		if f.powerKnown && f.net.quick {
			f.echo.listen(grain)
		}
		if before, _, ok := f.echo.before(f.echo.delay); ok {
			if f.powerKnown {
				f.gain.add(grain, before)
			}
		}
		if _, then, ok := f.echo.before(f.echo.delay + rotorDelay); ok && !f.powerKnown {
			f.density.add(grain, then)
		}
	}
	if inCrop < fillTime {
		return
	}
	gain, _ := f.gain.value(f.echo.delay)
	if s.Feed.Basis == FromPower || s.Feed.Basis == FromGrainFlow && f.powerKnown {
		f.density.add(power*gain, cut)
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if ok && f.own.RatedPowerKW > 0 && s.Feed.Rate > 5 {
		spare := (comfortFullLoad - float64(load)) / 100 * f.ratedKW / f.kwhPerT * gain
		f.comfort.add(float64(s.Feed.Rate) + spare)
	}
	if f.comfort.known() && f.comfort.mean > 5 {
		f.knee.second(s, f.comfort.mean)
	}
}
