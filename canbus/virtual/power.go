package virtual

import "math"

const gravity = 9.81 // m/s2

// hydrostaticEfficiency is from the engine to the wheels: about 0.65 to 0.75
// (common practice, no source).
const hydrostaticEfficiency = 0.70

// Motion resistance ratios: 0.07 to 0.09 on stubble (ASABE D497 form), far
// less on a road.
const (
	resistanceField = 0.08
	resistanceRoad  = 0.03
)

// propulsionKW is the power at the wheels (ASABE D497 tractive clauses:
// m g (rho + grade) v).
func propulsionKW(massT, resistance, grade, speedMS float64) float64 {
	return massT * gravity * (resistance + grade) * speedMS
}

// drawnKW is the engine power behind a power at the wheels. Downhill the
// hydrostatic drive pushes the engine, with the same losses.
func drawnKW(wheelKW float64) float64 {
	if wheelKW < 0 {
		return wheelKW * hydrostaticEfficiency
	}
	return wheelKW / hydrostaticEfficiency
}

// sizeOf is the machine's size: 1 for 250 kW.
func sizeOf(m *Model) float64 { return m.RatedKW / 250 }

// fuelLH is the fuel rate by ASABE D497.7: (0.22 X + 0.096) P at full
// throttle, and its correction for reduced speed. Share is power used over
// rated power, speed is engine speed over rated speed.
func fuelLH(ratedKW, share, speed float64) float64 {
	share = max(share, 0)
	return (0.22*share + 0.096) * ratedKW * (1 - (min(speed, 1)-1)*(0.45*share-0.877))
}

// Shares of the rotary power. The rotor takes about half of the total power
// in normal conditions (a measurement on a small machine, 1968); the rest of
// the split is common practice, no source.
const (
	rotorBase, rotorCrop  = 0.45, 0.62
	feederCrop            = 0.10
	shoeBase, shoeCrop    = 0.55, 0.28
	headerKWPerM          = 0.8
	headerKWPerTH         = 0.10 // on total feed
	chopperKW, chopperMOG = 6.0, 0.6
	auxiliaryShare        = 0.06 // cooling, hydraulics, air, of rated power
	auxiliaryIdleShare    = 0.035
)

// demand is the power of every consumer at the engine, in kW.
type demand struct {
	propulsion, header, feeder, rotor, shoe, chopper, auxiliary, unloading float64
}

func (d *demand) sum() float64 {
	return d.propulsion + d.header + d.feeder + d.rotor + d.shoe + d.chopper + d.auxiliary + d.unloading
}

// kWPerMOG is the marginal power of a t/h of MOG with its grain.
func kWPerMOG(c *Crop) float64 {
	perGrain := 1 / c.MOGRatio
	return c.PerMOG + c.PerGrain*perGrain + headerKWPerTH*(1+perGrain) + chopperMOG
}

// fixedKW is what the machine draws in work on the level without crop at a
// speed.
func fixedKW(m *Model, c *Crop, speedMS float64) float64 {
	s := sizeOf(m)
	return c.BaseKW*s + headerKWPerM*m.Width(*c) + chopperKW*s + auxiliaryShare*m.RatedKW +
		drawnKW(propulsionKW(m.MassT+0.4*m.TankM3*c.KGPerM3/1000, resistanceField, 0, speedMS))
}

// mogAt is the MOG feed rate in t/h at which the machine, on the level with a
// tank that is 40 % full, uses the given share of its rated power.
func mogAt(m *Model, c *Crop, share float64) float64 {
	mog := 0.0
	for range 12 { // propulsion depends on the speed, and the speed on the feed
		speed := min(speedFor(m, c, mog), c.TopKMH) / 3.6
		mog = max(0, share*m.RatedKW-fixedKW(m, c, speed)) / kWPerMOG(c)
	}
	return mog
}

// speedFor is the ground speed in km/h that gives a MOG feed rate in a crop
// of typical yield.
func speedFor(m *Model, c *Crop, mogTH float64) float64 {
	return 10 * mogTH / (m.Width(*c) * c.YieldTHa * c.MOGRatio)
}

// beltKW is the most that the rotor's belt can carry: 1.7 times what the
// rotor takes when the engine is at full load.
func beltKW(m *Model, c *Crop) float64 {
	mog := mogAt(m, c, 1)
	return 1.7 * (rotorBase*c.BaseKW*sizeOf(m) + rotorCrop*(c.PerMOG*mog+c.PerGrain*mog/c.MOGRatio))
}

func radPerS(rpm float64) float64 { return rpm * 2 * math.Pi / 60 }
func rpmOf(rad float64) float64   { return rad * 60 / (2 * math.Pi) }
