package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// feedEstimate is the first estimate of the crop that enters the threshing
// element. Engine power less what the machine takes without crop, over the
// specific energy, follows the crop within seconds but is uncertain in level.
// Grain flow is good in level but comes a transport delay later. So power gives
// the movement, and a gain learned from grain flow and the power of a delay
// ago gives the level. Where there is no power, density times speed times width.
type feedEstimate struct {
	own      Settings
	ratedKW  float64
	kwhPerT  float64 // prior of the specific energy, per tonne of feed
	mogRatio float64

	offset  median // power of empty running, propulsion taken off, kW
	ahead   delay  // power feed of the last seconds, at 1 Hz
	gain    gain   // grain-flow feed over power feed
	density slow   // t/ha of grain and MOG together
	comfort slow   // feed at comfortFullLoad, t/h
	smooth  float64
	grade   gradient

	torqueScale, fuelScale scale
	quick                  bool // power is from load or torque, not from fuel alone

	lastGrain float64
	grainSame int // seconds that grain flow has not changed to the bit

	lastSecond signal.Instant
	outSince   signal.Instant // since when the machine is out of the crop
}

const (
	// nominalKW stands in for a rated power that is not known: the feed then
	// is a relative series, and its SD says so.
	nominalKW = 300
	// nominalRPM is a usual rated speed, 1,900 to 2,200 (from memory).
	nominalRPM = 2000
	// auxiliaryShare is header, chopper, cooling and hydraulics of a machine
	// that runs empty, as a share of rated power: low, so that an offset that
	// has not been learned blunts a drop of feed rather than inventing one.
	auxiliaryShare = 0.06
	// peakTorque over torque at rated speed, as torque (SPN 513) is a share of
	// the peak: 1.25 to 1.45 (common practice, no source).
	peakTorque = 1.3
	// unloadingShare of the rated power drives the unloading auger: 15 to 40
	// kW (common practice, no source).
	unloadingShare = 0.08
	// grainDelay is the way from the knife to the flow sensor less that from
	// the knife to the rotor: 10 to 15 s less 2 to 5 s.
	grainDelay = 9 * time.Second
	// stuckSeconds of the same grain flow to the bit, in crop, are no
	// measurement that anything could be learned from.
	stuckSeconds = 5
	// emptyAfter is how long a machine takes to run empty out of the crop.
	emptyAfter = 6 * time.Second
	// emptyEnough bounds what one stay out of the crop can teach: a plugged
	// machine may stand there for minutes under load.
	emptyEnough = 21 * time.Second
	// comfortFullLoad is the engine load of a comfortably full machine: 75 to
	// 85 %, 90 % and more only in even crop (common practice, no source).
	comfortFullLoad = 88
)

// Standard deviations, as shares of the feed. D497 gives its small-grain
// coefficients +/-50 %, taken as two of them; the sensor's own noise is small
// beside the error of its level.
const (
	sdUnrated    = 0.6
	sdPrior      = 0.3
	sdGrainFlow  = 0.055
	sdDensity    = 0.35
	sdOffset     = 0.05  // of rated power, until the empty running has been learned
	sdPower      = 0.013 // of rated power: propulsion and grade
	sdOutOfCrop  = 1.0   // t/h
	smoothFactor = 0.1   // a step: 1 s
	smoothFuel   = 0.02  // a step: 5 s; fuel rate jumps by a tenth in a second on a real combine
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
	f.offset.prior = crop.IdlePowerKW + auxiliaryShare*f.ratedKW
	f.reset()
	return f
}

// reset forgets the moment and keeps what was learned.
func (f *feedEstimate) reset() {
	f.lastSecond, f.outSince = signal.Never, signal.Never
	f.smooth = 0
	f.ahead = delay{}
	f.grade = gradient{}
}

func (f *feedEstimate) step(s *State) {
	second := s.Now.Sub(f.lastSecond) >= time.Second
	if second {
		f.lastSecond = s.Now
		f.grade.second(s)
	}
	kw, powerKnown := f.freeKW(s)
	if s.Activity != Cutting {
		f.outOfCrop(s, kw, powerKnown, second)
		return
	}
	f.outSince = signal.Never
	feed := Feed{}
	power := max(0, (kw-f.offset.value())/f.kwhPerT)
	grain, grainKnown := signal.GrainFlow.Fresh(&s.Signals, s.Now)
	fromGrain := float64(grain) * (1 + f.mogRatio)
	width := f.width(s)
	switch {
	case powerKnown && f.quick && grainKnown && f.gain.known():
		feed = f.basis(power*f.gain.value(), FromGrainFlow)
		feed.SD = signal.TPH(math.Hypot(sdGrainFlow*f.smooth, sdPower*f.ratedKW/f.kwhPerT*f.gain.value()))
	case grainKnown:
		feed = f.basis(fromGrain, FromGrainFlow)
		feed.SD = signal.TPH(math.Hypot(2*sdGrainFlow*f.smooth, 1))
	case powerKnown:
		feed = f.basis(power*f.gain.value(), FromPower)
		feed.SD = f.powerSD()
	case f.density.known() && s.Speed.Known && width > 0:
		feed = f.basis(f.density.mean*float64(s.Speed.Value)*width/10, FromSpeedWidth)
		feed.SD = signal.TPH(sdDensity * f.smooth)
	default:
		f.smooth = 0
	}
	s.Feed = feed
	if second && feed.Basis != NoFeed {
		f.learnInCrop(s, power, powerKnown, fromGrain, grainKnown, width)
	}
	f.fullness(s)
}

// basis smooths a rate and says on what it rests.
func (f *feedEstimate) basis(rate float64, b FeedBasis) Feed {
	factor := smoothFactor
	if b == FromPower && !f.quick {
		factor = smoothFuel
	}
	f.smooth += factor * (rate - f.smooth)
	return Feed{Rate: signal.TPH(f.smooth), Basis: b}
}

func (f *feedEstimate) powerSD() signal.TPH {
	share, kw := sdPrior, sdPower*f.ratedKW
	switch {
	case f.gain.known():
		share = 2 * sdGrainFlow
	case f.own.RatedPowerKW <= 0:
		share = sdUnrated
	}
	if !f.offset.known() {
		kw = sdOffset * f.ratedKW
	}
	return signal.TPH(math.Hypot(share*f.smooth, kw/f.kwhPerT*f.gain.value()))
}

// outOfCrop says that nothing enters, and learns what empty running takes.
func (f *feedEstimate) outOfCrop(s *State, kw float64, powerKnown, second bool) {
	f.smooth *= 1 - smoothFactor
	basis := s.Feed.Basis
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
	}
	out := s.Now.Sub(f.outSince)
	empty := out >= emptyAfter && out < emptyEnough && (s.Activity == Turning || s.Activity == Waiting) && s.Threshing == Yes
	if second && empty && powerKnown {
		f.offset.add(kw)
	}
}

// freeKW is the engine's power less propulsion and unloading: threshing,
// header and whatever runs along.
func (f *feedEstimate) freeKW(s *State) (float64, bool) {
	now, t := s.Now, &s.Signals
	ratio := 1.0
	if rpm, ok := signal.EngineSpeed.Fresh(t, now); ok {
		ratio = float64(rpm) / nominalRPM
		if s.Engine.ReferenceKnown {
			ratio = float64(rpm / s.Engine.Reference)
		}
	}
	kw, ok := f.engineKW(s, ratio)
	if !ok {
		return 0, false
	}
	if s.Speed.Known {
		kw -= max(0, wheelKW(f.own.MassT, float64(s.Speed.Value), f.grade.now(s))/driveEfficiency)
	}
	if v, ok := signal.Unloading.Fresh(t, now); ok && v.On() {
		kw -= unloadingShare * f.ratedKW
	}
	return kw, true
}

// engineKW is the power that the engine gives. Percent load is of a power that
// is known; what torque and fuel rate mean is learned beside it, so that the
// level stays when load falls away.
func (f *feedEstimate) engineKW(s *State, ratio float64) (float64, bool) {
	now, t := s.Now, &s.Signals
	load, loadOK := signal.EngineLoad.Fresh(t, now)
	torque, torqueOK := signal.EngineTorque.Fresh(t, now)
	fuel, fuelOK := signal.FuelRate.Fresh(t, now)
	byTorque := float64(torque) / 100 * f.ratedKW * ratio / peakTorque
	byFuel := max(0, loadFromFuel(float64(fuel), f.ratedKW)) * f.ratedKW
	f.quick = loadOK || torqueOK
	if loadOK {
		kw := float64(load) / 100 * f.ratedKW * availableShare(ratio)
		if torqueOK {
			f.torqueScale.learn(kw, byTorque)
		}
		if fuelOK {
			f.fuelScale.learn(kw, byFuel)
		}
		return kw, true
	}
	switch {
	case torqueOK:
		return byTorque * f.torqueScale.value(), true
	case fuelOK:
		return byFuel * f.fuelScale.value(), true
	}
	return 0, false
}

func (f *feedEstimate) width(s *State) float64 {
	if w, ok := signal.CutWidth.Fresh(&s.Signals, s.Now); ok && w > 0 {
		return float64(w)
	}
	return float64(f.own.CutWidth)
}

// learnInCrop runs once a second, after the fill of the machine.
func (f *feedEstimate) learnInCrop(s *State, power float64, powerKnown bool, grain float64, grainKnown bool, width float64) {
	inCrop := s.Now.Sub(s.InCrop)
	before, full := f.ahead.push(power, s.Now)
	if grain == f.lastGrain {
		f.grainSame++
	} else {
		f.lastGrain, f.grainSame = grain, 0
	}
	if powerKnown && grainKnown && full && inCrop >= grainDelay+10*time.Second && f.grainSame < stuckSeconds {
		f.gain.add(grain, before)
	}
	if inCrop < 10*time.Second {
		return
	}
	if s.Speed.Known && s.Speed.Value > moveKPH && width > 0 && s.Feed.Basis != FromSpeedWidth {
		f.density.add(float64(s.Feed.Rate) * 10 / (float64(s.Speed.Value) * width))
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if ok && f.own.RatedPowerKW > 0 && s.Feed.Rate > 5 {
		spare := (comfortFullLoad - float64(load)) / 100 * f.ratedKW / f.kwhPerT * f.gain.value()
		f.comfort.add(float64(s.Feed.Rate) + spare)
	}
}

// fullness is the feed over that at which the engine would be comfortably full.
// Losses may set a lower limit; it is not learned yet.
func (f *feedEstimate) fullness(s *State) {
	if !f.comfort.known() || f.comfort.mean < 5 || s.Feed.Basis == NoFeed {
		return
	}
	s.Feed.Fullness = signal.Percent(min(150, 100*float64(s.Feed.Rate)/f.comfort.mean))
	s.Feed.FullnessKnown = true
}
