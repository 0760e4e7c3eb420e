package virtual

import "math"

// Delays from the knife, in steps of 100 ms. Ranges: harvest.md 8.1, common
// practice (feeder 1.5 to 4 s, rotor 0.5 to 1 s more, separation loss sensor
// 4 to 7 s, shoe loss sensor 6 to 10 s, mass-flow sensor 10 to 15 s).
const (
	topDelay   = 25
	rotorDelay = 33
	chopDelay  = 50
	shoeDelay  = 58
	sepDelay   = 55
	cleanDelay = 80
	// The delay to the mass-flow sensor falls as flow rises: on a stand it
	// fell from 8 s at 1.3 kg/s to 5 s at 21 kg/s.
	grainDelayMin, grainDelayMax = 98, 128
	moistDelay                   = 300
	returnsLoop                  = 85
	ringLen                      = 512
)

// lumpGrain is how much of the usual grain goes with the straw of a lump.
const lumpGrain = 0.35

// flow is the crop on its way through the machine, in t/h.
type flow struct {
	grain, mog [ringLen]float64 // what left the knife, newest at head
	moist      [ringLen]float64
	sent       [ringLen]float64 // returns, for their loop
	arrives    [ringLen]float64 // grain that will be at the mass-flow sensor
	head       int

	headerG, headerM smooth
	rotorG, rotorM   smooth
	shoeG, shoeM     smooth
	chopM            smooth
	sepM             smooth
	cleanM           smooth
	sensorG          smooth
	moistS           smooth
	delay            smooth // of grain to the sensor, in steps

	cutGrain, cutMOG       float64 // at the knife
	topGrain, topMOG       float64 // at the top of the feeder house
	rotorGrain, rotorMOG   float64 // entering the threshing element
	shoeGrain, shoeMOG     float64
	chopMOG                float64
	lossMOG                float64 // where the separation loss sensor is
	sensorGrain, tankTH    float64
	tough                  float64 // specific energy over its usual value
	moisturePct, moistSeen float64

	referenceMOG float64 // feed at 85 % of rated power
	fullTH       float64 // grain and MOG at that feed: comfortably full

	separationPct, cleaningPct float64 // of grain
	// MOG where those losses arise, over its reference.
	separationX, cleaningX float64
	returns                float64 // of a usual amount
	broken, trash          float64 // of a usual amount
	unthreshed             float64 // of a usual amount
	headerPct              float64 // of the crop

	// What trouble multiplies.
	density, moreTough, bunch                 float64
	lumpMOG                                   float64 // t/h more, a slug
	moreSeparation, moreCleaning, moreReturns float64
	moreBroken, moreTrash                     float64
}

func newFlow(m *Model, c *Crop) flow {
	return flow{
		referenceMOG: mogAt(m, c, 0.85), fullTH: mogAt(m, c, 0.85) * (1 + 1/c.MOGRatio), tough: 1,
		density: 1, moreTough: 1, moreSeparation: 1, moreCleaning: 1, moreReturns: 1, moreBroken: 1, moreTrash: 1,
	}
}

func (f *flow) past(ring *[ringLen]float64, steps int) float64 {
	return ring[(f.head-steps+ringLen)%ringLen]
}

func (f *flow) step(c *Combine) {
	damp := dew(c.hour()) - 0.25
	f.tough = (1 + 0.2*damp) * f.moreTough
	f.moisturePct = max(4, c.crop.MoisturePct+3*damp+c.field.moistWhere)

	e := &c.levers.effects
	cutGrain := 0.0
	if c.op.inCrop && c.headerWorking() {
		cutGrain = c.op.cutWidthM * c.speedMS * 3.6 * c.crop.YieldTHa * c.field.density * f.density / 10
		cutGrain *= max(0, 1+max(f.bunch, e[onBunch])*math.Sin(2*math.Pi*c.seconds()/4.2))
	}
	f.cutGrain = cutGrain
	f.cutMOG = cutGrain * c.crop.MOGRatio * e[onMOG]
	f.head = (f.head + 1) % ringLen
	f.grain[f.head] = f.headerG.step(f.cutGrain, slowS, 0.8) + lumpGrain*f.lumpMOG/c.crop.MOGRatio
	f.mog[f.head] = f.headerM.step(f.cutMOG, slowS, 0.8) + f.lumpMOG
	f.moist[f.head] = f.moisturePct

	f.topGrain, f.topMOG = f.past(&f.grain, topDelay), f.past(&f.mog, topDelay)
	f.rotorGrain = f.rotorG.step(f.past(&f.grain, rotorDelay), slowS, 0.25)
	f.rotorMOG = f.rotorM.step(f.past(&f.mog, rotorDelay), slowS, 0.25)
	f.chopMOG = f.chopM.step(f.past(&f.mog, chopDelay), slowS, 0.8)
	f.shoeGrain = f.shoeG.step(f.past(&f.grain, shoeDelay), slowS, 1)
	f.shoeMOG = f.shoeM.step(f.past(&f.mog, shoeDelay), slowS, 1)
	f.lossMOG = f.sepM.step(f.past(&f.mog, sepDelay), slowS, 0.8)
	cleanMOG := f.cleanM.step(f.past(&f.mog, cleanDelay), slowS, 1.2)

	// Each parcel is sent on its way with the delay that the flow gives it.
	share := clamp(f.headerG.y/f.fullTH*(1+c.crop.MOGRatio), 0, 1)
	f.delay.step(grainDelayMax-share*(grainDelayMax-grainDelayMin), slowS, 2)
	whole := int(f.delay.y)
	part := f.delay.y - float64(whole)
	f.arrives[(f.head+whole)%ringLen] += f.grain[f.head] * (1 - part)
	f.arrives[(f.head+whole+1)%ringLen] += f.grain[f.head] * part
	kept := 1 - (f.separationPct+f.cleaningPct)/100
	f.sensorGrain = f.sensorG.step(f.arrives[f.head]*kept, slowS, 2.5)
	f.arrives[f.head] = 0
	f.tankTH = f.sensorGrain
	f.moistSeen = f.moistS.step(f.past(&f.moist, moistDelay), slowS, 10)

	rotorSlow := clamp(1-c.rot.omega/c.rot.nominal, 0, 1)
	x := f.lossMOG / f.referenceMOG
	f.separationX = x
	f.separationPct = min(25, separationLaw(x, damp)*(1+3*rotorSlow)*f.moreSeparation*e[onSeparation])
	z := cleanMOG / f.referenceMOG
	f.cleaningX = z
	slope := 1 + 60*c.field.crossGrade*c.field.crossGrade
	f.cleaningPct = min(25, cleaningLaw(z, damp, slope)*f.moreCleaning*e[onCleaning])

	f.sent[f.head] = f.returns
	made := (1 - againShare) * returnsLaw(z) * f.moreReturns
	if c.levers.touched {
		made *= e.returns()
	}
	f.returns = min(12, made+againShare*f.past(&f.sent, returnsLoop))
	if f.rotorMOG > 0.1*f.referenceMOG {
		full := f.rotorMOG / f.referenceMOG
		f.broken = brokenLaw(full, damp) * f.moreBroken * e[onBroken]
		f.trash = trashLaw(full) * f.moreTrash * e[onTrash]
		f.unthreshed = unthreshedLaw(full, damp) * e[onUnthreshed]
	}
	f.headerPct = headerLossPct(&c.crop, c.speedMS*3.6/c.levers.usual[leverSpeed], damp) * e[onHeaderLoss]
	c.seen.step(c)
}

// The laws by which losses and quality follow the feed, of MOG over its
// reference, and the damp of the straw. Loss = a F^b with b about 3.5 is the
// form of the Michigan State study of 1967; the numbers are illustrative.
func separationLaw(x, damp float64) float64 {
	return 1.1 * math.Pow(x, 3.5) * max(0.3, 1+0.9*damp)
}

func cleaningLaw(z, damp, slope float64) float64 {
	return 0.7 * math.Pow(z, 4) * slope * max(0.4, 1-0.6*damp)
}

// againShare of the returns comes back as returns.
const againShare = 0.3

func returnsLaw(z float64) float64         { return math.Pow(clamp(z/0.85, 0, 3), 1.5) }
func brokenLaw(full, damp float64) float64 { return (1.25 - 0.3*full) * max(0.5, 1-damp*0.6) }
func trashLaw(full float64) float64        { return 0.7 + 0.4*full }
func unthreshedLaw(full, damp float64) float64 {
	return math.Exp(0.8*(full-0.86)) * max(0.5, 1+0.6*damp)
}

// headerLossPct is grain lost at the header at its usual settings, in % of the
// crop: more when the machine goes faster, and when the crop is dry.
func headerLossPct(c *Crop, speed, damp float64) float64 {
	return grains[c.Name].headerPct * math.Pow(max(speed, 0.1), 0.8) * max(0.5, 1-0.4*damp)
}

// feedTH is the crop entering the threshing element, grain and MOG together.
func (f *flow) feedTH() float64 { return f.rotorGrain + f.rotorMOG }
