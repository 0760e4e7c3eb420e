package virtual

import "math"

// roundM is the length of the turn between the straight runs: three arcs that
// bring the machine round and one header width over.
func (o *operator) roundM() float64 { return entryRunM + o.turnR*(math.Pi+4*o.turnAlpha) }

// turnRate is how the heading changes, in rad/m.
func (o *operator) turnRate() float64 {
	if o.phase != headland {
		return 0
	}
	s := (o.turnM - entryRunM) / o.turnR
	side := o.dir
	switch {
	case s < 0 || o.turnM >= o.roundM(): // s at the end of the round may be rounded to less than its arcs
		return 0
	case s < o.turnAlpha || s >= math.Pi+3*o.turnAlpha:
		return -side / o.turnR
	default:
		return side / o.turnR
	}
}

func (o *operator) onRoad() bool { return o.phase == roadOut || o.phase == roadHome }

// round is the headland turn.
func (o *operator) round(c *Combine) {
	before := o.turnM
	o.turnM += c.speedMS * slowS
	straight := o.roundM()
	if before < straight && o.turnM >= straight {
		if o.rounds == 0 && c.field.x < -5 { // the first time he only drives up
			o.turnM = straight
		} else {
			o.dir = -o.dir
			c.field.y = o.fromY + c.width
		}
		if o.dir > 0 {
			c.field.heading = 0
		} else {
			c.field.heading = math.Pi
		}
	}
	if o.rounds == 0 && o.turnM >= straight && c.field.x < -entryRunM {
		o.turnM = straight
		o.speedKMH = o.turnSpeed
		return
	}
	if o.turnM >= straight {
		o.speedKMH = min(o.turnSpeed, o.passSpeed)
		if o.turnM+2.6*c.speedMS >= straight+entryRunM { // down just before the crop
			o.headerMM = c.crop.CutMM
		}
	}
	if o.turnM >= straight+entryRunM {
		o.rounds++
		o.enter(c, cutting)
	}
}

// cut is the work itself.
func (o *operator) cut(c *Combine, t float64) {
	n := c.eng.rpm / c.eng.reference()
	seen := o.loadSeen.step(c.eng.loadPct, slowS, 4)
	held := c.script.holdsSpeed()
	likes := c.sc.LoadPct + o.likes.step(&c.habit)

	slowing := t < o.slowUntil
	if share, ok := c.script.slowTo(); ok {
		slowing = true
		o.slowShare = share
	} else if !slowing && !held && c.script.calm(t) && c.habit.unit() < slowS/1500 {
		// He looks at something now and then.
		o.slowShare = c.habit.between(0.45, 0.75)
		o.slowUntil = t + c.habit.between(8, 25)
	}

	if n < 0.87 {
		o.sagged += slowS
	} else {
		o.sagged = 0
	}
	alarmed := o.sagged > 1.5 && !held || o.sagged > 4 && n < 0.80
	if alarmed {
		o.passSpeed = max(1.2, 0.8*o.passSpeed)
		o.sagged = -3
		o.nextLook = t + 6
	}
	if c.rot.rpm() < 0.88*c.rot.implied(c.eng.rpm) && c.rot.grip == 1 && t > o.slowUntil {
		o.slowShare, o.slowUntil = 0.55, t+5 // he hears it
	}
	if t >= o.nextLook && !held && !slowing {
		o.nextLook = t + c.habit.between(4, 10)
		miss := likes - seen
		switch {
		case c.levers.holdsSpeed:
			o.passSpeed = clamp(c.levers.at[leverSpeed], 0.88*o.passSpeed, 1.05*o.passSpeed)
		case math.Abs(miss) > 2.5:
			o.passSpeed *= 1 + clamp(0.010*miss, -0.12, 0.05)
		}
		o.passSpeed = c.obeys(clamp(o.passSpeed, 1.2, c.crop.TopKMH))
	}
	o.speedKMH = o.passSpeed
	if since := t - o.since; since < 8 {
		o.speedKMH *= 0.8 + 0.2*since/8
	}
	if t < o.slowUntil || slowing {
		o.speedKMH *= o.slowShare
	}

	full := c.body.tankT / c.tankFullT()
	if o.unloadSide && full > 0.72 && t-o.since > 25 && c.script.calm(t) {
		o.augerOn = true
	}
	if full < 0.03 {
		o.augerOn = false
	}
	if n < 0.66 {
		o.enter(c, clearing) // before the engine stalls
		return
	}
	if c.rot.rpm() < 0.3*c.rot.implied(c.eng.rpm) && c.rot.grip == 1 {
		o.speedKMH, o.headerMM = 0, c.crop.CutMM
		o.sagged += slowS
		if o.waitS -= slowS; o.waitS < 0 {
			o.waitS = 5
			o.enter(c, clearing)
		}
		return
	}
	past := o.dir > 0 && c.field.x >= c.sc.PassM || o.dir < 0 && c.field.x <= 0
	if past && !c.script.holdsPass() && !o.augerOn {
		o.leave(c, t, full)
	}
}

// leave ends a pass.
func (o *operator) leave(c *Combine, t, full float64) {
	homeS := 420.0
	switch {
	case c.sc.KeyOff && t > c.sc.Hours*3600-homeS:
		o.headerMM = liftedMM(&c.crop)
		o.inCrop = false
		o.threshOn = false
		o.enter(c, roadHome)
	case c.sc.Break && !o.paused && t > c.sc.Hours*1800:
		o.headerMM = liftedMM(&c.crop)
		o.fromY, o.turnM = c.field.y, 0
		o.enter(c, pausing)
	case full > 0.80 && !c.sc.OnTheGo || full > 0.93:
		o.enter(c, toCart)
	case o.stayS > 0:
		o.enter(c, looking)
	default:
		o.enter(c, headland)
	}
}

// Stay has the operator stand for so many seconds, with threshing off and the
// engine idling: at the end of this pass, or beside the cart once the tank is
// empty. While he stands so already, he stands so much longer.
func (c *Combine) Stay(seconds float64) {
	if c.op.phase == looking {
		c.op.lastsS += max(0, seconds)
		return
	}
	c.op.stayS += max(0, seconds)
}

// unload stands beside the cart.
func (o *operator) unload(c *Combine, t float64) {
	waited := t - o.since
	switch {
	case waited < 5 || c.speedMS > 0:
	case waited < 5+o.waitS:
	case c.body.tankT > 0.03 && !o.augerOn:
		o.augerOn = true
	case c.body.tankT <= 0.03:
		o.augerOn = false
		switch {
		case c.body.auger > 0:
		case o.stayS > 0:
			o.enter(c, looking)
		default:
			o.enter(c, headland)
		}
	}
}
