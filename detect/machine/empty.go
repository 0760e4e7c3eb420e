package machine

import "math"

// emptyRunning is what the machine takes from its engine without crop:
//
//	kW = Base + Roll x m g v
//
// with the base of threshing, header, chopper and auxiliaries, and the rolling
// of the machine as motion resistance over the efficiency of the drive. Both
// follow from turns and waits by a Kalman filter of these two numbers, which
// wander slowly: a machine that only turns at one speed leaves how they share
// the power uncertain, but not their sum at that speed, and that is what crop
// is measured against. It starts from priors, and its covariance is bounded by
// theirs, so that days without a turn cannot wind it up.
type emptyRunning struct {
	base, roll float64
	p          [3]float64 // var(base), cov, var(roll)
	priorP     [2]float64
	priorBase  float64
	wander     float64 // kW per root second
	noise      float64 // kW of a second, its memory counted in
	seconds    int
}

const (
	priorRoll   = motionResistance / driveEfficiency
	priorRollSD = 0.3 * priorRoll
	emptyKnown  = 10 // s
	turnSeconds = 12
)

func newEmptyRunning(baseKW, ratedKW float64) emptyRunning {
	e := emptyRunning{base: baseKW, roll: priorRoll, priorBase: baseKW, wander: 0.0004 * ratedKW, noise: 0.03 * ratedKW}
	e.priorP = [2]float64{0.06 * ratedKW * 0.06 * ratedKW, priorRollSD * priorRollSD}
	e.p = [3]float64{e.priorP[0], 0, e.priorP[1]}
	return e
}

// at is the power of empty running and its variance, at a weight times speed.
func (e *emptyRunning) at(mgv float64) (kW, variance float64) {
	return e.base + e.roll*mgv, e.p[0] + 2*mgv*e.p[1] + mgv*mgv*e.p[2]
}

// pass lets a second go by.
func (e *emptyRunning) pass() {
	e.p[0] = min(e.p[0]+e.wander*e.wander, e.priorP[0])
	e.p[2] = min(e.p[2]+1e-10, e.priorP[1])
	// The covariance cannot exceed what the variances allow.
	most := 0.999 * math.Sqrt(e.p[0]*e.p[2])
	e.p[1] = min(max(e.p[1], -most), most)
}

// learn takes the power of a second of empty running, and the doubt about its
// part of climbing, which stays the same for most of a turn.
func (e *emptyRunning) learn(kW, mgv, doubtKW float64) {
	want, variance := e.at(mgv)
	r := e.noise*e.noise + turnSeconds*doubtKW*doubtKW
	miss, total := kW-want, variance+r
	if limit := 3 * math.Sqrt(total); math.Abs(miss) > limit {
		r *= math.Abs(miss) / limit // Huber: a plug and other trouble count less
		total = variance + r
	}
	k0, k1 := (e.p[0]+mgv*e.p[1])/total, (e.p[1]+mgv*e.p[2])/total
	e.base = min(max(e.base+k0*miss, 0), 4*e.priorBase+100)
	e.roll = min(max(e.roll+k1*miss, 0.2*priorRoll), 4*priorRoll)
	p0 := e.p[0] - k0*(e.p[0]+mgv*e.p[1])
	p1 := e.p[1] - k0*(e.p[1]+mgv*e.p[2])
	p2 := e.p[2] - k1*(e.p[1]+mgv*e.p[2])
	e.p = [3]float64{max(p0, 1e-9), p1, max(p2, 1e-12)}
	e.seconds++
}

func (e *emptyRunning) known() bool { return e.seconds >= emptyKnown }
