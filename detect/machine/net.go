package machine

import "chaffinch/canbus/signal"

// EngineFacts are what an engine says of itself: reference torque and torque
// curve (PGN 65251) and friction (PGN 65247), SAE J1939-71.
type EngineFacts struct {
	ReferenceNm   float64 // torque at 100 %; 0 is not known
	FrictionPct   float64 // of the reference torque
	FrictionKnown bool
	// Curve holds the most torque by speed, the first Points of it, in any order.
	Curve  [5]CurvePoint
	Points int
}

// CurvePoint is the most torque at a speed.
type CurvePoint struct {
	Speed  signal.RPM
	Torque signal.Percent // of the reference torque, friction included
}

// most is the torque available at a speed, by straight lines between the
// points; beyond them the last point stands.
func (f *EngineFacts) most(rpm signal.RPM) (signal.Percent, bool) {
	var below, above *CurvePoint
	for i := range f.Points {
		p := &f.Curve[i]
		if p.Speed <= rpm && (below == nil || p.Speed > below.Speed) {
			below = p
		}
		if p.Speed >= rpm && (above == nil || p.Speed < above.Speed) {
			above = p
		}
	}
	switch {
	case below == nil && above == nil:
		return 0, false
	case below == nil:
		return above.Torque, true
	case above == nil:
		return below.Torque, true
	case above.Speed == below.Speed:
		return below.Torque, true
	}
	x := signal.Percent((rpm - below.Speed) / (above.Speed - below.Speed))
	return below.Torque + x*(above.Torque-below.Torque), true
}

// usualFriction is the friction of a diesel near rated speed, as a share of
// its highest torque: 8 to 12 % (from memory).
const usualFriction = 9.0

func (f *EngineFacts) friction() float64 {
	if f.FrictionKnown && f.FrictionPct >= 0 && f.FrictionPct < 40 {
		return f.FrictionPct
	}
	return usualFriction
}

// shaftKW is the power of a torque at a speed: 2 pi/60 per revolution a minute.
func shaftKW(nm float64, rpm signal.RPM) float64 { return nm * float64(rpm) / 9549.3 }

// netPower works out the power that the engine gives at its shaft.
//
// By torque, reference torque and speed where the bus gives all three; else by
// percent load of the torque that the curve allows at this speed; else by
// percent load or torque of the rated power, with a usual torque rise; else by
// fuel. What stands further down is scaled to what stands above while both are
// heard, so that the level stays when the better one falls silent.
type netPower struct {
	facts   EngineFacts
	ratedKW float64

	loadScale, torqueScale, fuelScale scale

	kW    float64
	known bool
	quick bool // from torque or load, not from fuel alone
}

func (p *netPower) step(s *State) {
	now, t := s.Now, &s.Signals
	rpm, rpmOK := signal.EngineSpeed.Fresh(t, now)
	ratio := 1.0
	if rpmOK {
		ratio = float64(rpm) / nominalRPM
		if s.Engine.ReferenceKnown {
			ratio = float64(rpm / s.Engine.Reference)
		}
	}
	torque, torqueOK := signal.EngineTorque.Fresh(t, now)
	load, loadOK := signal.EngineLoad.Fresh(t, now)
	fuel, fuelOK := signal.FuelRate.Fresh(t, now)
	rpmOK = rpmOK && rpm >= 0 && rpm < 6000
	torqueOK = torqueOK && torque > -130 && torque < 130
	loadOK = loadOK && load >= 0 && load < 260
	fuelOK = fuelOK && fuel >= 0 && fuel < 1000
	if !rpmOK {
		ratio = 1
	}

	var byTorque, byLoad float64
	exact := torqueOK && rpmOK && p.facts.ReferenceNm > 0
	if exact {
		byTorque = shaftKW((float64(torque)-p.facts.friction())/100*p.facts.ReferenceNm, rpm)
	} else if torqueOK {
		byTorque = (float64(torque) - usualFriction) / 100 * peakTorque * p.ratedKW * ratio
	}
	if loadOK {
		most, curved := p.facts.most(rpm)
		if curved && rpmOK && p.facts.ReferenceNm > 0 {
			byLoad = shaftKW((float64(load*most)/100-p.facts.friction())/100*p.facts.ReferenceNm, rpm)
		} else {
			// Percent load counts from the torque that is available, friction
			// included; near rated speed that is about rated power.
			lost := usualFriction / 100 * peakTorque * p.ratedKW * ratio
			byLoad = float64(load)/100*(p.ratedKW*availableShare(ratio)+lost) - lost
		}
	}
	byFuel := max(0, loadFromFuel(float64(fuel), p.ratedKW)) * p.ratedKW

	// Percent load has a known meaning without a reference torque, percent
	// torque has not.
	p.known, p.quick = true, true
	switch {
	case exact:
		p.kW = byTorque
	case loadOK:
		p.kW = byLoad * p.loadScale.value()
	case torqueOK:
		p.kW = byTorque * p.torqueScale.value()
	case fuelOK:
		p.kW, p.quick = byFuel*p.fuelScale.value(), false
	default:
		p.kW, p.known, p.quick = 0, false, false
		return
	}
	if exact && loadOK {
		p.loadScale.learn(p.kW, byLoad)
	}
	if loadOK && torqueOK && !exact {
		p.torqueScale.learn(p.kW, byTorque)
	}
	if fuelOK && p.quick {
		p.fuelScale.learn(p.kW, byFuel)
	}
}

// take notes what the engine says of itself. What it said before in other
// terms is learned anew.
func (p *netPower) take(f EngineFacts) {
	if f.Points < 0 || f.Points > len(f.Curve) {
		f.Points = 0
	}
	if !(f.ReferenceNm > 0 && f.ReferenceNm < 20000) {
		f.ReferenceNm, f.Points = 0, 0
	}
	if f.ReferenceNm != p.facts.ReferenceNm {
		p.loadScale, p.torqueScale, p.fuelScale = scale{}, scale{}, scale{}
	}
	p.facts = f
}
