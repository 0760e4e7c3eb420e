package machine

import (
	"math"

	"chaffinch/canbus/signal"
)

// motion is what the machine's own mass asks of the engine: rolling, climbing
// and gathering speed.
type motion struct {
	mgv     float64 // kN x m/s
	climbKW float64 // at the engine, with gathering speed
	steady  bool    // neither speed nor slope changes much

	doubt float64 // of slope and rolling together, rise over run
	grade gradient
	speed float64 // m/s, smoothed over a second
	gain  float64 // m/s2, smoothed
}

const (
	speedShare  = 0.15 // a step: 0.6 s
	steadyGain  = 0.12 // m/s2
	hardestGain = 1.0  // m/s2
	// gradeDoubt is the slope of fields that nobody measures, softDoubt what
	// soft ground adds to rolling here and there (common practice, no source).
	gradeDoubt, softDoubt = 0.018, 0.008
)

func (m *motion) step(s *State, massT float64, second bool) {
	if second {
		m.grade.second(s)
	}
	if !s.Speed.Known || !(s.Speed.Value >= 0 && s.Speed.Value < 80) {
		m.mgv, m.climbKW, m.steady, m.gain = 0, 0, false, 0
		return
	}
	v := float64(s.Speed.Value) / 3.6
	was := m.speed
	m.speed += speedShare * (v - m.speed)
	m.gain += 0.1 * ((m.speed-was)/Period.Seconds() - m.gain)
	m.gain = min(max(m.gain, -hardestGain), hardestGain)
	m.steady = math.Abs(m.gain) < steadyGain
	grade := m.grade.now(s)
	m.doubt = gradeDoubt
	if m.grade.known(s) {
		m.doubt = softDoubt
	}
	m.mgv = massT * gravity * v
	m.climbKW = (m.mgv*grade + massT*m.gain*v) / driveEfficiency
}

// doubtKW is the engine power that slope and soft ground may take unseen.
func (m *motion) doubtKW() float64 { return m.mgv * m.doubt / driveEfficiency }

// propulsion is the engine power of rolling and climbing. Downhill the drive
// pushes the engine, with the same losses.
func (m *motion) propulsion(roll float64) float64 {
	kW := roll*m.mgv + m.climbKW
	if kW < 0 {
		return kW * driveEfficiency * driveEfficiency
	}
	return kW
}

// tank follows the grain on board for its weight. A combine holds about 0.6 m3
// per tonne of its own mass (common practice, no source); the settings give the
// mass with the tank half full.
type tank struct {
	halfT    float64
	contentT float64
}

// unloadPerHour empties a tank within two to four minutes (common practice, no
// source): so many times the machine's own mass an hour.
const unloadPerHour = 14

func newTank(massT, testWeightKgHL float64) tank {
	if !(testWeightKgHL > 10) {
		testWeightKgHL = 75
	}
	share := 0.3 * testWeightKgHL / 100
	half := massT * share / (1 + share)
	return tank{halfT: half, contentT: half}
}

// second takes the grain flow of a second and whether the auger runs.
func (t *tank) second(grainTH float64, unloading bool, massT float64) {
	t.contentT += grainTH / 3600
	if unloading {
		t.contentT -= unloadPerHour * massT / 3600
	}
	t.contentT = min(max(t.contentT, 0), 2.2*t.halfT)
}

func (t *tank) massT(own float64) float64 { return own - t.halfT + t.contentT }

// isUnloading is what a signal of its own says.
func isUnloading(s *State) bool {
	v, ok := signal.Unloading.Fresh(&s.Signals, s.Now)
	return ok && v.On()
}
