package virtual

import "math"

// Levels are what relative sensors show, 0 to 100. They saturate: half as
// much again of a usual loss is not half as much again of the reading.
func level(amount, scale float64) float64 { return 100 * (1 - math.Exp(-amount/scale)) }

// Scales of the relative sensors: the amount that shows 63.
const (
	separationScale = 2.1 // % of grain
	cleaningScale   = 1.5 // % of grain
	returnsScale    = 3.6 // usual amounts
	brokenScale     = 9.0
	trashScale      = 8.0
)

// Noise of the relative sensors, standard deviation over level at 1 Hz: loss
// sensors 20 to 50 %, returns 10 to 30 % (common practice, no source).
const (
	lossCV    = 0.26
	returnsCV = 0.15
	sampleCV  = 0.12 // broken grain and trash
)

// senses are what the sensors make of the machine: truth, noise and lag.
type senses struct {
	load, speed, gps              float64
	separation, cleaning, returns float64 // 0 to 100, with noise
	broken, trash                 float64
	feeder                        float64
	grainTH                       float64
	moisture                      float64
	latitude, longitude, altitude float64
	course                        float64

	// The same levels without noise, for the truth.
	clearSeparation, clearCleaning, clearReturns float64
	clearBroken, clearTrash                      float64

	nLoad, nSpeed, nGPS, nFeeder              wander
	nSep, nClean, nReturns, nBroken, nTrash   wander
	nGrain, nMoist, nNorth, nEast, nUp, nTurn wander
}

func newSenses() senses {
	return senses{
		nLoad: newWander(0.6, 0.15, slowS), nSpeed: newWander(0.02, 0.3, slowS), nGPS: newWander(0.03, 0.8, slowS),
		nFeeder: newWander(4, 0.5, slowS),
		nSep:    newWander(lossCV, 0.9, slowS), nClean: newWander(lossCV, 1.1, slowS), nReturns: newWander(returnsCV, 1.5, slowS),
		nBroken: newWander(sampleCV, 6, slowS), nTrash: newWander(sampleCV, 6, slowS),
		nGrain: newWander(1, 0.7, slowS), nMoist: newWander(0.12, 15, slowS),
		nNorth: newWander(0.03, 60, slowS), nEast: newWander(0.03, 60, slowS), nUp: newWander(0.05, 60, slowS), nTurn: newWander(0.01, 1, slowS),
	}
}

func (s *senses) step(c *Combine) {
	r := &c.senseNoise
	f := &c.flow
	s.load = max(0, c.eng.loadPct+s.nLoad.step(r))
	s.speed = max(0, c.speedMS+s.nSpeed.step(r)*min(1, c.speedMS))
	s.gps = max(0, c.speedMS+s.nGPS.step(r))

	gain := 1.0
	if c.sc.LossSaturated {
		gain = 9
	}
	s.clearSeparation = level(f.separationPct*gain, separationScale)
	s.clearCleaning = level(f.cleaningPct, cleaningScale)
	s.clearReturns = level(f.returns, returnsScale)
	s.clearBroken = level(f.broken, brokenScale)
	s.clearTrash = level(f.trash, trashScale)
	if c.rot.grip == 0 {
		s.clearSeparation, s.clearCleaning, s.clearReturns = 0, 0, 0
	}
	s.separation = noisy(s.clearSeparation, s.nSep.step(r))
	s.cleaning = noisy(s.clearCleaning, s.nClean.step(r))
	s.returns = noisy(s.clearReturns, s.nReturns.step(r))
	s.broken = noisy(s.clearBroken, s.nBroken.step(r))
	s.trash = noisy(s.clearTrash, s.nTrash.step(r))

	if c.rot.grip > 0 {
		s.feeder = clamp(8+62*(f.topGrain+f.topMOG)/f.fullTH+s.nFeeder.step(r), 0, 125)
	} else {
		s.feeder = 0
	}
	// Mass-flow sensor: 0.3 to 0.7 kg/s at 1 Hz, whatever the flow (a test
	// stand of the University of Kentucky).
	if f.sensorGrain > 0.5 {
		s.grainTH = max(0, f.sensorGrain+s.nGrain.step(r)*1.8)
	} else {
		s.grainTH = f.sensorGrain
	}
	s.moisture = f.moistSeen + s.nMoist.step(r)
	metre := 1 / metresPerDegree
	s.latitude = c.field.latitude() + s.nNorth.step(r)*metre
	s.longitude = c.field.longitude() + s.nEast.step(r)*metre*1.57
	s.altitude = c.field.heightM + s.nUp.step(r)
	s.course = c.field.course() + s.nTurn.step(r)
}

// noisy is a level with multiplicative noise, within its range.
func noisy(level, n float64) float64 {
	return clamp(level*(1+n*(1.15-level/110)), 0, 100)
}
