package virtual

// rotor is the threshing rotor behind its belt. While the belt grips, it
// creeps in proportion to torque; beyond its most torque it slips, carries a
// little less the more it slips, and the rotor lives on what it stored.
type rotor struct {
	inertia   float64 // kg m2
	ratio     float64 // rotor speed over engine speed, without slip
	nominal   float64 // rad/s at the engine's reference speed, as it is set
	usual     float64 // nominal at the crop's usual setting
	beltNm    float64 // most torque of the belt, at the rotor
	baseNm    float64 // windage and friction at usual speed
	cropNm    float64 // torque that the crop asks for
	grip      float64 // 0 clutch open to 1 closed
	omega     float64 // rad/s
	transmits float64 // Nm
}

// creep is the slip of a belt that is just about to let go.
const creep = 0.022

// usualSlip is the belt's slip in ordinary work.
const usualSlip = 0.012

func newRotor(m *Model, c *Crop, e *engine) rotor {
	r := rotor{inertia: m.RotorInertia}
	r.set(2*c.TipMS/m.RotorDiameterM, e)
	r.usual = r.nominal
	r.beltNm = beltKW(m, c) * 1000 / r.nominal
	r.baseNm = rotorBase * c.BaseKW * sizeOf(m) * 1000 / r.nominal
	return r
}

// set sets the speed that the rotor has at the engine's reference speed.
func (r *rotor) set(nominal float64, e *engine) {
	r.nominal = nominal
	r.ratio = r.nominal / radPerS(e.reference()) / (1 - usualSlip)
}

// step advances the rotor; it returns the power that its drive draws, in kW.
func (r *rotor) step(engineRPM, stepS float64) float64 {
	pulley := radPerS(engineRPM) * r.ratio
	r.transmits = 0
	if pulley > 0 && r.grip > 0 {
		slip := 1 - r.omega/pulley
		most := r.beltNm * r.grip
		switch {
		case slip > creep:
			r.transmits = most * (1 - 0.15*min(1, (slip-creep)/0.4))
		default:
			r.transmits = max(most*slip/creep, -0.3*most)
		}
	}
	load := r.baseNm*r.omega/r.usual + 0.02*r.baseNm
	if r.omega > 0 {
		load += r.cropNm
	}
	r.omega = max(0, r.omega+(r.transmits-load)/r.inertia*stepS)
	return r.transmits * pulley / 1000
}

// implied is the rotor speed in rpm that the engine speed and the setting
// imply.
func (r *rotor) implied(engineRPM float64) float64 {
	return engineRPM * r.ratio * (1 - usualSlip)
}

func (r *rotor) rpm() float64 { return rpmOf(r.omega) }
