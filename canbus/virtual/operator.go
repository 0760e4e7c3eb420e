package virtual

import "math"

// phase is what the operator is at.
type phase uint8

const (
	keyOn    phase = iota // bus awake, engine off
	warming               // engine idling
	roadOut               // to the field
	engaging              // standing, threshing comes in
	cutting               // header down, in the crop
	headland              // out of the crop, round, and in again
	toCart                // along the headland to the cart
	atCart                // standing to unload
	clearing              // the rotor is plugged
	pausing               // standing before a break
	keyOff                // engine off, bus awake
	asleep                // bus asleep
	roadHome
	parking // standing before the key is turned
	looking // standing with threshing off, on foot: see Stay
	ended
)

// operator drives: it holds a speed by the engine's load, turns, unloads, has
// habits, and makes room for what the script wants.
type operator struct {
	phase   phase
	since   float64 // when phase began
	lastsS  float64 // how long it is meant to last
	afterKO phase   // what follows a switched-off engine

	speedKMH  float64 // what the lever asks for
	throttled bool    // the pump follows the engine
	headerMM  float64
	threshOn  bool
	augerOn   bool
	inCrop    bool // there is crop in front of the knife
	cutWidthM float64

	passSpeed float64 // the speed that he has found to suit
	likes     wander
	loadSeen  smooth
	nextLook  float64
	slowUntil float64
	slowShare float64
	sagged    float64 // s that the engine has sagged

	rounds     int // passes done
	turnM      float64
	turnR      float64
	turnAlpha  float64
	turnSpeed  float64
	fromY      float64
	dir        float64 // 1 eastwards, -1 westwards
	unloadSide bool    // this time while cutting
	paused     bool    // the break is over
	waitS      float64
	stayS      float64 // how long he wants to stand at the next stop
}

const entryRunM = 9 // straight runs before and after a turn

func newOperator(c *Combine) operator {
	h := &c.habit
	return operator{
		dir: 1, cutWidthM: 0.97 * c.width,
		passSpeed: c.obeys(usualSetting(&c.model, &c.crop, "ground_speed_kmh", c.sc.LoadPct)),
		likes:     newWander(2.5, 400, slowS),
		waitS:     h.between(4, 15),
	}
}

func (o *operator) enter(c *Combine, p phase) {
	h := &c.habit
	o.phase, o.since = p, c.seconds()
	o.inCrop = p == cutting
	switch p {
	case keyOn:
		c.eng.setRPM = 0
		o.lastsS = h.between(8, 16)
		o.speedKMH, o.headerMM = 0, liftedMM(&c.crop)
		if o.rounds == 0 {
			c.field.x, c.field.y = -h.between(900, 2200), 0 // from the field
		}
	case warming:
		c.eng.setRPM = idleSet(&c.eng)
		o.lastsS = h.between(50, 110)
		o.afterKO = engaging
		if o.rounds == 0 && !o.paused {
			o.afterKO = roadOut
		}
	case roadOut, roadHome:
		c.eng.setRPM = 0.92 * c.eng.governed(0)
		o.throttled = false
		o.speedKMH = h.between(19, 25)
		o.lastsS = h.between(100, 240)
	case engaging:
		o.speedKMH = 0
		o.lastsS = 16
		c.eng.setRPM = 0.75 * c.eng.governed(0)
		o.threshOn = true
	case cutting:
		o.throttled = true
		o.headerMM = c.crop.CutMM
		o.speedKMH = 0.85 * o.passSpeed
		o.threshOn = true
		o.nextLook = c.seconds() + 8
		o.cutWidthM = 0.97 * c.width
		if h.unit() < 0.06 {
			o.cutWidthM = h.between(0.45, 0.8) * c.width
		}
		o.unloadSide = c.sc.OnTheGo
	case headland:
		o.headerMM = liftedMM(&c.crop)
		o.turnM = 0
		o.turnR = max(6, 0.56*c.width) * h.between(1, 1.25)
		o.turnAlpha = math.Acos(min(1, (c.width+2*o.turnR)/(4*o.turnR)))
		o.turnSpeed = h.between(5.2, 7.2)
		o.speedKMH = o.turnSpeed
		o.fromY = c.field.y
		o.augerOn = false
	case toCart:
		o.headerMM = liftedMM(&c.crop)
		o.lastsS = h.between(12, 40)
		o.speedKMH = h.between(6, 9)
	case atCart:
		o.speedKMH = 0
		o.waitS = h.between(4, 18)
	case clearing:
		o.speedKMH, o.threshOn = 0, false
		o.headerMM = c.crop.CutMM + 450
		o.lastsS = h.between(50, 120)
	case pausing, parking:
		o.speedKMH, o.threshOn = 0, false
		c.eng.setRPM = idleSet(&c.eng)
		o.lastsS = h.between(30, 60)
	case looking:
		o.speedKMH, o.threshOn, o.augerOn = 0, false, false
		o.headerMM = liftedMM(&c.crop)
		c.eng.setRPM = idleSet(&c.eng)
		o.lastsS, o.stayS = o.stayS, 0
	case keyOff:
		c.eng.setRPM = 0
		o.lastsS = h.between(12, 20)
	case asleep:
		o.lastsS = 1200
	}
}

func idleSet(e *engine) float64 { return lowIdle * e.ratedRPM * (1 + 0.25*droop) }

func (o *operator) step(c *Combine) {
	t := c.seconds()
	over := t-o.since > o.lastsS
	c.rot.grip = engage(c.rot.grip, o.threshOn)
	switch o.phase {
	case keyOn:
		if over {
			o.enter(c, warming)
		}
	case warming:
		if over {
			o.enter(c, o.afterKO)
		}
	case roadOut:
		if c.field.x > -45 {
			o.enter(c, engaging)
		}
	case engaging:
		if t-o.since > 8 {
			c.eng.setRPM = c.eng.governed(0)
		}
		if over {
			o.resume(c)
		}
	case cutting:
		o.cut(c, t)
	case headland:
		o.round(c)
	case toCart:
		if over {
			o.enter(c, atCart)
		}
	case atCart:
		o.unload(c, t)
	case clearing:
		if t-o.since > 4 { // the engine has caught itself
			c.eng.setRPM = idleSet(&c.eng)
		}
		if over {
			o.enter(c, engaging)
		}
	case pausing:
		if over {
			o.afterKO = asleep
			o.paused = true
			o.enter(c, keyOff)
		}
	case keyOff:
		if over {
			if o.afterKO == asleep {
				o.enter(c, asleep)
			} else {
				o.enter(c, ended)
				c.stopped = true
			}
		}
	case looking:
		if over {
			o.enter(c, engaging)
		}
	case asleep:
		if over {
			o.enter(c, keyOn)
		}
	case roadHome:
		if over {
			o.enter(c, parking)
		}
	case parking:
		if over {
			o.afterKO = ended
			o.enter(c, keyOff)
		}
	}
}

// engage closes or opens the threshing clutch.
func engage(grip float64, on bool) float64 {
	if on {
		return min(1, grip+slowS/4)
	}
	return max(0, grip-slowS/0.4)
}

// resume goes on after threshing came in: into the crop at the start, round
// the headland after a break, on in the pass after a plug.
func (o *operator) resume(c *Combine) {
	switch {
	case o.rounds == 0 && c.field.x < -5:
		o.enter(c, headland)
		o.turnM = o.roundM() - 1e-9 // straight in
	case o.paused && c.op.fromY == c.field.y && o.turnM == 0:
		o.enter(c, headland)
	case o.midPass(c):
		o.enter(c, cutting)
	default:
		o.enter(c, headland)
	}
}

func (o *operator) midPass(c *Combine) bool {
	return o.dir > 0 && c.field.x < c.sc.PassM || o.dir < 0 && c.field.x > 0
}
