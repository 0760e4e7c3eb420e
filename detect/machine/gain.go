package machine

import "math"

// cropGain is the feed over what the prior of the specific energy makes of the
// crop's power. Its logarithm has two parts:
//
//	slow: the specific energy of this crop on this machine, a slow random walk
//	near: what toughness, soft ground and the like do for a minute or two, a
//	      first-order process that returns to nothing
//
// A Kalman filter of these two follows the ratio of grain flow to the power of
// a transport delay ago, ten seconds at a time. Bounds on the variances keep it
// sane through a day without grain flow.
type cropGain struct {
	slow, near float64
	p          [3]float64 // var(slow), cov, var(near)
	prior      float64    // variance of slow

	grain, power float64 // sums of the block
	seconds      int
	blocks       int
	strangers    int // blocks in a row far on one side
	side         float64
	held         int // blocks in a row in which near was far from nothing
	idle         int // seconds since the last block
}

const (
	blockSeconds  = 10
	blockSD       = 0.02
	blockTH       = 1.2   // t/h: noise of a block beside its share
	slowWander    = 0.004 // per root block
	nearSD        = 0.03
	nearSeconds   = 90.0
	gainKnownAt   = 12  // blocks
	gainMost      = 1.4 // e^1.4 is 4: beyond, something else is wrong
	strangersJump = 2   // blocks far off: the crop became another all at once
	strangersMost = 18  // and stays so: another field or crop
	heldMost      = 18  // near that stays is not near
	heldSD        = 1.8
)

func newCropGain(priorSD float64) cropGain {
	v := priorSD * priorSD
	return cropGain{p: [3]float64{v, 0, nearSD * nearSD}, prior: v}
}

func (g *cropGain) known() bool { return g.blocks >= gainKnownAt }

// value is the gain now, so many seconds after what was learned last, and the
// variance of its logarithm.
func (g *cropGain) value(seconds int) (gain, variance float64) {
	keep := math.Exp(-float64(seconds+g.idle) / nearSeconds)
	far := 1 - keep*keep
	return math.Exp(g.slow + keep*g.near), g.p[0] + 2*keep*g.p[1] + keep*keep*g.p[2] + far*nearSD*nearSD
}

// pass lets a second go by that teaches nothing.
func (g *cropGain) pass() { g.idle = min(g.idle+1, 3600) }

// add takes a second of feed by grain flow and feed by power, in t/h.
func (g *cropGain) add(grain, power float64) {
	g.grain += grain
	g.power += power
	if g.seconds++; g.seconds < blockSeconds {
		return
	}
	meanG, meanP := g.grain/blockSeconds, g.power/blockSeconds
	g.breakOff()
	keep := math.Exp(-float64(blockSeconds+g.idle) / nearSeconds)
	g.idle = 0
	g.near *= keep
	g.p[0] = min(g.p[0]+slowWander*slowWander, g.prior)
	g.p[1] *= keep
	g.p[2] = keep*keep*g.p[2] + (1-keep*keep)*nearSD*nearSD
	if meanG < 3 || meanP < 3 {
		return
	}
	g.learn(math.Log(meanG/meanP), math.Hypot(blockSD, blockTH/min(meanG, meanP)))
}

func (g *cropGain) learn(ratio, noise float64) {
	miss := ratio - g.slow - g.near
	r := noise * noise
	total := g.p[0] + 2*g.p[1] + g.p[2] + r
	if size := 2.5 * math.Sqrt(total); math.Abs(miss) <= size {
		g.strangers = 0
	} else {
		if miss*g.side > 0 {
			g.strangers++
		} else {
			g.strangers = 1
		}
		g.side = miss
		switch {
		case g.strangers >= strangersMost:
			g.p = [3]float64{g.prior, 0, nearSD * nearSD}
			g.strangers = 0
		case g.strangers >= strangersJump:
			g.p[2] += miss * miss
		default: // one alone may be a lump of straw
			r *= math.Abs(miss) / size * 4
		}
		total = g.p[0] + 2*g.p[1] + g.p[2] + r
	}
	k0, k1 := (g.p[0]+g.p[1])/total, (g.p[1]+g.p[2])/total
	g.slow = min(max(g.slow+k0*miss, -gainMost), gainMost)
	g.near = min(max(g.near+k1*miss, -gainMost), gainMost)
	p0 := g.p[0] - k0*(g.p[0]+g.p[1])
	p1 := g.p[1] - k0*(g.p[1]+g.p[2])
	p2 := g.p[2] - k1*(g.p[1]+g.p[2])
	g.p = [3]float64{max(p0, 1e-9), p1, max(p2, 1e-9)}
	g.blocks++
	if math.Abs(g.near) < heldSD*nearSD {
		g.held = 0
	} else if g.held++; g.held >= heldMost {
		g.p[0] = min(g.p[0]+0.25*g.near*g.near, g.prior)
		g.slow, g.near, g.held = g.slow+g.near, 0, 0
	}
}

// breakOff drops a block that is not whole.
func (g *cropGain) breakOff() { g.grain, g.power, g.seconds = 0, 0, 0 }

// loosen makes room for a change that may have happened unseen.
func (g *cropGain) loosen(sd float64) {
	if g.blocks > 0 {
		g.p[0] = min(g.p[0]+sd*sd, g.prior)
	}
	g.breakOff()
}
