package machine

import (
	"math"
	"slices"
	"time"

	"chaffinch/canbus/signal"
)

// median is that of the newest 60 values. Until ten have come it is the prior.
type median struct {
	prior  float64
	ring   [60]float64
	count  int
	next   int
	middle float64
}

const medianKnown = 10

func (m *median) known() bool { return m.count >= medianKnown }

func (m *median) add(v float64) {
	m.ring[m.next] = v
	m.next = (m.next + 1) % len(m.ring)
	m.count = min(m.count+1, len(m.ring))
	sorted := m.ring
	part := sorted[:m.count]
	slices.Sort(part)
	m.middle = part[m.count/2]
}

func (m *median) value() float64 {
	if m.known() {
		return m.middle
	}
	return m.prior
}

// delay gives back what was pushed grainDelay ago, at one value a second. A
// pause empties it.
type delay struct {
	ring  [grainDelay / time.Second]float64
	next  int
	count int
	last  signal.Instant
}

func (d *delay) push(v float64, now signal.Instant) (before float64, full bool) {
	if d.count > 0 && now.Sub(d.last) > 3*time.Second {
		d.count, d.next = 0, 0
	}
	d.last = now
	before, full = d.ring[d.next], d.count == len(d.ring)
	d.ring[d.next] = v
	d.next = (d.next + 1) % len(d.ring)
	d.count = min(d.count+1, len(d.ring))
	return before, full
}

// gain is the ratio of two series over the last ten minutes or so of cutting.
type gain struct {
	grain, power float64
	seconds      int
}

const (
	gainShare  = 1.0 / 600
	gainKnown  = 120 // s
	gainLowest = 0.2
)

func (g *gain) add(grain, power float64) {
	share := max(gainShare, 1/float64(g.seconds+1))
	g.grain += share * (grain - g.grain)
	g.power += share * (power - g.power)
	g.seconds++
}

func (g *gain) known() bool { return g.seconds >= gainKnown && g.power > 1 }

func (g *gain) value() float64 {
	if !g.known() {
		return 1
	}
	return min(max(g.grain/g.power, gainLowest), 1/gainLowest)
}

// scale is the ratio of two measures of one power, learned over some minutes
// of work.
type scale struct {
	ratio float64
	steps int
}

const (
	scaleShare = 1.0 / 3000 // a step
	scaleKnown = 600        // steps
	scaleLeast = 20.0       // kW: below, the ratio is mostly noise
)

func (c *scale) learn(kw, other float64) {
	if kw < scaleLeast || other < scaleLeast {
		return
	}
	c.steps++
	c.ratio += max(scaleShare, 1/float64(c.steps)) * (kw/other - c.ratio)
}

func (c *scale) value() float64 {
	if c.steps < scaleKnown {
		return 1
	}
	return c.ratio
}

// slow is a mean with bounded forgetting over about ten minutes.
type slow struct {
	mean    float64
	seconds int
}

const slowKnown = 120 // s

func (m *slow) add(v float64) {
	m.mean += max(gainShare, 1/float64(m.seconds+1)) * (v - m.mean)
	m.seconds++
}

func (m *slow) known() bool { return m.seconds >= slowKnown }

// gradient is the slope of the ground along the way: of the pitch where a
// sensor gives it, else of altitude over the way of the last ten seconds.
type gradient struct {
	altitude [10]float64
	way      [10]float64 // metres, running
	count    int
	total    float64
	last     signal.Instant
	slope    float64
}

const (
	leastWayM  = 8    // shorter ways say nothing about a slope
	steepest   = 0.35 // no combine works steeper
	slopeShare = 0.3
)

func (g *gradient) second(s *State) {
	alt, ok := signal.Altitude.Fresh(&s.Signals, s.Now)
	if !ok || !s.Speed.Known || s.Now.Sub(g.last) > 3*time.Second {
		g.count, g.slope = 0, 0
	}
	g.last = s.Now
	if !ok || !s.Speed.Known {
		return
	}
	g.total += float64(s.Speed.Value) / 3.6
	if g.count == len(g.altitude) {
		copy(g.altitude[:], g.altitude[1:])
		copy(g.way[:], g.way[1:])
		g.count--
	}
	g.altitude[g.count], g.way[g.count] = float64(alt), g.total
	g.count++
	if way := g.way[g.count-1] - g.way[0]; way >= leastWayM {
		rise := (g.altitude[g.count-1] - g.altitude[0]) / way
		g.slope += slopeShare * (min(max(rise, -steepest), steepest) - g.slope)
	}
}

func (g *gradient) now(s *State) float64 {
	if pitch, ok := signal.Pitch.Fresh(&s.Signals, s.Now); ok {
		rise := math.Tan(float64(pitch) * math.Pi / 180)
		return min(max(rise, -steepest), steepest)
	}
	return g.slope
}
