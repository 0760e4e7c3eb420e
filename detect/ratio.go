package detect

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// ratioMemory learns the ratio of rotor to engine speed, and knows since when
// the ratio has been steady: while a fast and a slow mean of it agree. A ramp
// of r percent a second holds them 1.5 r apart, noise of 1 % about 0.5.
type ratioMemory struct {
	value float64
	known bool

	fast, slow float64
	since      signal.Instant // since when steady; Never while not
	last       signal.Instant // newest ratio; Never when a new stretch begins
}

const (
	fastSeconds = 0.5
	slowSeconds = 2.0
	steadyApart = 0.015 // of the ratio
	learnAfter  = 2 * time.Second
	driftShare  = 0.02 // a reading
	longestGap  = 3 * time.Second
)

func (m *ratioMemory) add(now signal.Instant, ratio float64) {
	if m.last == signal.Never || now.Sub(m.last) > longestGap {
		m.fast, m.slow, m.since, m.last = ratio, ratio, now, now
		return
	}
	dt := now.Sub(m.last).Seconds()
	m.last = now
	m.fast += (1 - math.Exp(-dt/fastSeconds)) * (ratio - m.fast)
	m.slow += (1 - math.Exp(-dt/slowSeconds)) * (ratio - m.slow)
	switch {
	case math.Abs(m.fast-m.slow) > steadyApart*m.slow:
		m.since = signal.Never
	case m.since == signal.Never:
		m.since = now
	}
	if !m.known && ratio > 0.05 && m.steadyFor(now, learnAfter) {
		m.value, m.known = m.fast, true
	}
}

func (m *ratioMemory) unsteady() { m.last, m.since = signal.Never, signal.Never }

func (m *ratioMemory) steadyFor(now signal.Instant, long time.Duration) bool {
	return m.since != signal.Never && now.Sub(m.since) >= long
}

// drift follows belts and tyres of the drive, adopt takes a new setting.
func (m *ratioMemory) drift() { m.value += driftShare * (m.fast - m.value) }
func (m *ratioMemory) adopt() { m.value = m.fast }

// recent is the last three seconds of a value, one a step.
type recent struct {
	values [30]float64
	next   int
	count  int
}

func (r *recent) add(v float64) {
	r.values[r.next] = v
	r.next = (r.next + 1) % len(r.values)
	r.count = min(r.count+1, len(r.values))
}

func (r *recent) lowest() float64 {
	low := math.Inf(1)
	for _, v := range r.values[:r.count] {
		low = min(low, v)
	}
	return low
}

// loadChange compares the load of this moment with that before a fall. Engine
// load serves, else torque, else fuel rate in percent of its own usual level.
type loadChange struct {
	known  bool
	now    float64 // mean of the last third of a second
	before float64 // mean of three seconds, standing still since the fall began
	square float64 // of the usual difference
	warm   int
	fuel   float64 // usual fuel rate
}

const (
	nowShare    = 0.3
	beforeShare = 1.0 / 30
	squareShare = 1.0 / 600
	fuelShare   = 1.0 / 3000
	// leastRise and fastRise of load, in points, tell trouble: in a slow fall,
	// and in one that is too fast for an adjuster.
	leastRise  = 6.0
	fastRise   = 2.0
	riseSigmas = 2.5
	loadWarm   = 20 // steps
	usualLoad  = 70 // %: where the fuel rate's usual level is taken to lie
)

func (c *loadChange) step(s *machine.State, falling bool) {
	v, ok := c.percent(s)
	if !ok {
		c.known = false
		c.warm = 0
		return
	}
	if c.warm == 0 {
		c.now, c.before = v, v
	}
	c.warm++
	c.known = c.warm >= loadWarm
	c.now += nowShare * (v - c.now)
	if falling {
		return
	}
	c.before += beforeShare * (v - c.before)
	d := c.now - c.before
	c.square += squareShare * (d*d - c.square)
}

func (c *loadChange) percent(s *machine.State) (float64, bool) {
	if v, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now); ok {
		return float64(v), true
	}
	if v, ok := signal.EngineTorque.Fresh(&s.Signals, s.Now); ok {
		return float64(v), true
	}
	v, ok := signal.FuelRate.Fresh(&s.Signals, s.Now)
	if !ok || v <= 0 {
		return 0, false
	}
	if c.fuel == 0 {
		c.fuel = float64(v)
	}
	c.fuel += fuelShare * (float64(v) - c.fuel)
	return usualLoad * float64(v) / c.fuel, true
}

// rise is in points since the fall began.
func (c *loadChange) rise() float64 { return c.now - c.before }

// clearRise is the rise that is more than chance at a rate of fall in percent a
// second.
func (c *loadChange) clearRise(rate float64) float64 {
	if rate >= fastFall {
		return fastRise
	}
	return max(leastRise, riseSigmas*math.Sqrt(c.square))
}
