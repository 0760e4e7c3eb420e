package virtual

// engine is a diesel with a droop governor. Torques are in Nm at the
// crankshaft; net is what it gives, indicated is net plus friction, and it is
// indicated torque that the bus speaks of (SAE J1939-71, SPN 513).
type engine struct {
	ratedKW, ratedRPM float64
	ratedNm           float64 // net, at rated speed
	referenceNm       float64 // 100 %: the highest indicated torque (SPN 544)
	inertia           float64 // kg m2, with all that turns with it but the rotor

	rpm     float64
	netNm   float64
	setRPM  float64 // no-load speed that the throttle asks for; 0 is fuel off
	loadPct float64 // indicated torque over what is available at this speed (SPN 92)
}

// droop is how far the speed falls from no load to rated load: 3 to 8 % is
// usual (from memory).
const droop = 0.05

const lowIdle = 0.48 // of rated speed

// torqueCurve is net torque over rated torque, by speed over rated speed.
// Torque rise 28 %, and most power 5 % under rated speed: harvest.md 7.6
// gives 25 to 45 % and 100 to 200 rpm (from memory).
var torqueCurve = [...][2]float64{
	{0.20, 0.30}, {0.40, 0.75}, {0.50, 0.98}, {0.60, 1.20}, {0.70, 1.28}, {0.80, 1.22}, {0.95, 1.085}, {1.00, 1.00}, {1.06, 0.88}, {1.20, 0.30},
}

func newEngine(m *Model) engine {
	e := engine{ratedKW: m.RatedKW, ratedRPM: m.RatedRPM, ratedNm: m.RatedKW * 9549.3 / m.RatedRPM, inertia: 0.08 * m.RatedKW}
	peak := 0.70 * e.ratedRPM
	e.referenceNm = float64(int(e.available(peak)/(1-frictionShare(0.70)) + 0.5))
	return e
}

// frictionShare is the friction torque over reference torque (SPN 514).
func frictionShare(speed float64) float64 { return 0.05 + 0.04*speed }

func (e *engine) frictionNm() float64 { return frictionShare(e.rpm/e.ratedRPM) * e.referenceNm }

// available is the net torque at full fuelling.
func (e *engine) available(rpm float64) float64 {
	x := rpm / e.ratedRPM
	last := len(torqueCurve) - 1
	if x <= torqueCurve[0][0] {
		return torqueCurve[0][1] * e.ratedNm
	}
	for i := 1; i <= last; i++ {
		if x <= torqueCurve[i][0] {
			a, b := torqueCurve[i-1], torqueCurve[i]
			return e.ratedNm * (a[1] + (b[1]-a[1])*(x-a[0])/(b[0]-a[0]))
		}
	}
	return torqueCurve[last][1] * e.ratedNm
}

// highestKW is the most power that the engine can give at any speed.
func (e *engine) highestKW() float64 {
	return e.available(0.95*e.ratedRPM) * 0.95 * e.ratedRPM / 9549.3
}

// governed is the speed that the engine settles at under a share of its rated
// torque at full throttle.
func (e *engine) governed(share float64) float64 { return e.ratedRPM * (1 + droop*(1-share)) }

// reference is the engine's speed while cutting at a comfortable load.
func (e *engine) reference() float64 { return e.governed(0.75) }

// step advances the engine under a load of so many kW.
func (e *engine) step(loadKW, stepS float64) {
	if e.setRPM == 0 {
		e.netNm, e.loadPct = 0, 0
		drag := e.frictionNm() + loadKW*9549.3/max(e.rpm, 300)
		e.rpm = max(0, e.rpm-rpmOf(drag/e.inertia*stepS))
		if e.rpm < 30 {
			e.rpm = 0
		}
		return
	}
	// The starter brings a standing engine up to where it can run by itself.
	if e.rpm < 0.25*e.ratedRPM {
		e.rpm += 0.2 * e.ratedRPM * stepS
	}
	full := e.available(e.rpm)
	asked := e.ratedNm * (e.setRPM - e.rpm) / (droop * e.ratedRPM)
	asked = clamp(asked, -0.9*e.frictionNm(), full)
	tau := 0.08
	if asked > e.netNm {
		tau = 0.18 // air must follow fuel
	}
	e.netNm += (asked - e.netNm) * stepS / (tau + stepS)
	e.netNm = min(e.netNm, full)
	omega := radPerS(max(e.rpm, 200))
	e.rpm += rpmOf((e.netNm - loadKW*1000/omega) / e.inertia * stepS)
	e.rpm = clamp(e.rpm, 0, 1.2*e.ratedRPM)
	friction := e.frictionNm()
	e.loadPct = 100 * (e.netNm + friction) / (e.available(e.rpm) + friction)
}

func (e *engine) netKW() float64     { return e.netNm * e.rpm / 9549.3 }
func (e *engine) torquePct() float64 { return 100 * (e.netNm + e.frictionNm()) / e.referenceNm }
func (e *engine) running() bool      { return e.setRPM > 0 && e.rpm > 0.3*e.ratedRPM }
