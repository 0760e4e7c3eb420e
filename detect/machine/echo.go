package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// echo finds how long after the power of the rotor the grain flow follows, by
// the correlation of their movements about a slow mean, and gives back what
// was a delay ago. One value a second.
type echo struct {
	ring    [32]float64 // newest at head
	width   [32]float64 // speed times width, likewise
	head    int
	count   int
	last    signal.Instant
	slowP   float64
	slowG   float64
	product [delayMost + 1]float64
	squareP float64
	squareG float64
	seconds int
	delay   int // s
}

const (
	// delayUsual is the way from the knife to the flow sensor less that from
	// the knife to the rotor: 10 to 15 s less 2 to 5 s (from memory, and
	// common practice).
	delayUsual            = 9
	delayLeast, delayMost = 4, 20
	echoSeconds           = 240 // before the delay is believed
	echoMemory            = 1.0 / 1200
	echoSlow              = 1.0 / 40
	echoLeastCorrelation  = 0.3
	grainDelay            = delayUsual * time.Second
)

func (e *echo) push(power, width float64, now signal.Instant) {
	if e.delay == 0 {
		e.delay = delayUsual
	}
	if e.count > 0 && now.Sub(e.last) > 3*time.Second {
		e.count = 0
	}
	e.last = now
	e.head = (e.head + 1) % len(e.ring)
	e.ring[e.head], e.width[e.head] = power, width
	e.count = min(e.count+1, len(e.ring))
}

// before is what was pushed so many seconds ago.
func (e *echo) before(seconds int) (power, width float64, ok bool) {
	if e.count <= seconds {
		return 0, 0, false
	}
	i := (e.head - seconds + len(e.ring)) % len(e.ring)
	return e.ring[i], e.width[i], true
}

// listen takes the grain flow of this second.
func (e *echo) listen(grain float64) {
	if e.count <= delayMost {
		e.slowP, e.slowG = e.ring[e.head], grain
		return
	}
	old, _, _ := e.before(delayUsual)
	e.slowP += echoSlow * (old - e.slowP)
	e.slowG += echoSlow * (grain - e.slowG)
	g := grain - e.slowG
	keep := 1 - echoMemory
	for d := delayLeast; d <= delayMost; d++ {
		p, _, _ := e.before(d)
		e.product[d] = keep*e.product[d] + (p-e.slowP)*g
	}
	e.squareP = keep*e.squareP + (old-e.slowP)*(old-e.slowP)
	e.squareG = keep*e.squareG + g*g
	if e.seconds++; e.seconds < echoSeconds || e.seconds%blockSeconds != 0 {
		return
	}
	best := delayLeast
	for d := delayLeast; d <= delayMost; d++ {
		if e.product[d] > e.product[best] {
			best = d
		}
	}
	if e.product[best] > echoLeastCorrelation*math.Sqrt(e.squareP*e.squareG) {
		e.delay = best
	}
}
