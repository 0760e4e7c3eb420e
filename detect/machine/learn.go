package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

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

const (
	slowKnown = 120 // s
	slowShare = 1.0 / 600
)

func (m *slow) add(v float64) {
	m.mean += max(slowShare, 1/float64(m.seconds+1)) * (v - m.mean)
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
	ok = ok && alt > -1000 && alt < 10000
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

// known tells whether there is anything to know the slope from.
func (g *gradient) known(s *State) bool {
	_, ok := signal.Pitch.Fresh(&s.Signals, s.Now)
	return ok || g.count > 2
}

func (g *gradient) now(s *State) float64 {
	if pitch, ok := signal.Pitch.Fresh(&s.Signals, s.Now); ok {
		rise := math.Tan(float64(pitch) * math.Pi / 180)
		return min(max(rise, -steepest), steepest)
	}
	return g.slope
}
