package virtual

// script brings the trouble of a scenario on and off.
type script struct {
	list []running
	last float64 // when the latest trouble of crop or machine ended
}

type state uint8

const (
	waiting state = iota
	active
	over
)

type running struct {
	Trouble
	kind   trouble
	gauge  gauge
	state  state
	from   float64
	before float64 // of a slug: the feed that it is laid on; of an overload: the crop's density
	cutS   float64 // of it, while cutting
	spared bool    // the engine stood or had just been started
	unsent bool    // the bus slept
}

func newScript(s *Scenario) script {
	sc := script{last: -1e9}
	for _, e := range s.Events {
		k, ok := kinds[e.Kind]
		if !ok {
			continue
		}
		g, ok := gaugeNamed(e.Signal)
		if k.sensor && !ok {
			continue
		}
		sc.list = append(sc.list, running{Trouble: e, kind: k, gauge: g})
	}
	return sc
}

func (s *script) step(c *Combine) {
	t := c.seconds()
	if t < 0 {
		return
	}
	for i := range s.list {
		r := &s.list[i]
		switch r.state {
		case waiting:
			if t >= r.At && s.ready(c, r, t) {
				r.state, r.from = active, t
				r.start(c)
			}
		case active:
			if t >= r.from+r.lasts() {
				r.state = over
				r.stop(c)
				if r.kind.settle >= 0 {
					s.last = t
				}
				continue
			}
			r.run(c, t-r.from)
			r.unsent = r.unsent || c.op.phase == asleep
			if c.truth.activity == "cutting" {
				r.cutS += slowS
			}
			if !c.eng.running() || t-c.truth.keyOnS < 15 && c.truth.keyOnS > 0 {
				r.spared = r.kind.sensor || r.Kind == "bus-silent"
			}
		}
	}
}

// ready tells whether trouble that is due can come: what befalls crop or
// machine comes one at a time, in steady work.
func (s *script) ready(c *Combine, r *running, t float64) bool {
	if r.kind.settle < 0 {
		return true
	}
	if c.op.phase != cutting || t-c.op.since < r.kind.settle {
		return false
	}
	if r.Kind != "hot" && r.kind.settle > 15 && (t < s.last+70 || c.unloading() || t < c.op.slowUntil+65) {
		return false
	}
	for i := range s.list {
		if o := &s.list[i]; o != r && o.state == active && o.kind.settle >= 0 {
			return false
		}
	}
	return true
}

// activeKind finds the active trouble of a kind.
func (s *script) activeKind(kind string) *running {
	for i := range s.list {
		if s.list[i].state == active && s.list[i].Kind == kind {
			return &s.list[i]
		}
	}
	return nil
}

// holdsPass tells whether the pass must go on: crop trouble is active, or was
// within the last seconds.
func (s *script) holdsPass() bool {
	for i := range s.list {
		r := &s.list[i]
		if r.state == active && r.kind.settle >= 0 && r.Kind != "hot" {
			return true
		}
	}
	return false
}

func (s *script) holdsSpeed() bool {
	for i := range s.list {
		r := &s.list[i]
		if r.state != active {
			continue
		}
		switch r.Kind {
		case "overload", "slug", "plug", "gap", "uneven", "separation-loss", "cleaning-loss", "crop-loss", "returns", "broken", "trash":
			return true
		}
	}
	return false
}

func (s *script) slowTo() (share float64, ok bool) {
	if r := s.activeKind("slow"); r != nil {
		return r.Size, true
	}
	return 0, false
}

// calm tells whether nothing is going on that a habit would spoil, and
// nothing that waits is nearly due.
func (s *script) calm(t float64) bool {
	for i := range s.list {
		r := &s.list[i]
		if r.kind.settle < 0 || r.Kind == "hot" {
			continue
		}
		if r.state == active || r.state == waiting && r.At < t+30 {
			return false
		}
	}
	return t > s.last+20
}

// fadeS is how long the thick crop of an overload takes to thin out again.
const fadeS = 25

// lasts is how long trouble lasts, with its fading.
func (r *running) lasts() float64 {
	if r.Kind == "overload" {
		return r.For + fadeS
	}
	return r.For
}

// start brings trouble on.
func (r *running) start(c *Combine) {
	f := &c.flow
	switch r.Kind {
	case "overload":
		// What is drawn now without crop stays; crop must draw the rest.
		crop := f.cropKW(c, f.headerG.y, f.headerM.y)
		rest := c.eng.netKW() - f.cropKW(c, f.rotorGrain, f.rotorMOG)
		r.before = 1
		if crop > 1 {
			r.before = clamp((r.Size*c.eng.highestKW()-rest)/crop, 1, 4)
			// The belt still carries it: an overload is not a slug.
			if nm := f.rotorNm(c, f.headerG.y, f.headerM.y); nm > 0 {
				r.before = max(1, min(r.before, (0.82*c.rot.beltNm-c.rot.baseNm)/nm))
			}
		}
	case "slug", "plug":
		r.before = f.headerM.y
		f.lumpMOG = 0
	case "hot":
		c.body.cooling = r.Size
	case "fault-code":
		c.bus.faults.add(r)
	default:
		if a, ok := ailmentOf[r.Kind]; ok {
			c.gauges[r.gauge] = condition{ailment: a, gain: 1}
		}
	}
}

// cropKW is the power that a feed draws once it is all through the machine.
func (f *flow) cropKW(c *Combine, grain, mog float64) float64 {
	return f.tough*(c.crop.PerMOG*mog+c.crop.PerGrain*grain) + headerKWPerTH*(grain+mog) + chopperMOG*mog
}

// rotorNm is the torque that a feed asks of the rotor.
func (f *flow) rotorNm(c *Combine, grain, mog float64) float64 {
	return rotorCrop * f.tough * (c.crop.PerMOG*mog + c.crop.PerGrain*grain) * 1000 / c.rot.usual * c.levers.effects[onTorque]
}

// run is what trouble does while it lasts; at is the time since it began.
func (r *running) run(c *Combine, at float64) {
	f := &c.flow
	ramp := clamp(min(at, r.For-at)/2, 0, 1) // comes and goes within 2 s
	switch r.Kind {
	case "overload": // thick within 4 s, thin again slowly; tough where thick alone would have to be very thick
		share := clamp(min(at/4, 1+(r.For-at)/fadeS), 0, 1)
		thick := min(r.before, 1.65)
		f.density = 1 + (thick-1)*share
		f.moreTough = 1 + (r.before/thick-1)*share
	case "thick", "gap", "thin":
		f.density = 1 + (r.Size-1)*ramp
	case "uneven":
		f.bunch = r.Size * ramp
	case "slug", "plug":
		// Torque of the belt x size = base + crop; the lump is what the crop
		// there lacks to it.
		now := f.rotorNm(c, r.before/c.crop.MOGRatio, r.before)
		need := (r.Size*c.rot.beltNm - c.rot.baseNm - now) / f.rotorNm(c, lumpGrain/c.crop.MOGRatio, 1)
		f.lumpMOG = max(0, need) * clamp(min(at/0.4, (r.For-at)/0.6), 0, 1)
	case "separation-loss":
		f.moreSeparation = 1 + (r.Size-1)*ramp
	case "cleaning-loss":
		f.moreCleaning = 1 + (r.Size-1)*ramp
	case "crop-loss":
		f.moreSeparation = 1 + (r.Size-1)*ramp
		f.moreCleaning = f.moreSeparation
	case "returns":
		f.moreReturns = 1 + (r.Size-1)*ramp
	case "broken":
		f.moreBroken = 1 + (r.Size-1)*ramp
	case "trash":
		f.moreTrash = 1 + (r.Size-1)*ramp
	case "drift":
		c.gauges[r.gauge].gain = 1 + (r.Size-1)*clamp(at/r.For, 0, 1)
	}
}

// stop ends it.
func (r *running) stop(c *Combine) {
	f := &c.flow
	switch r.Kind {
	case "overload", "thick", "gap", "thin":
		f.density, f.moreTough = 1, 1
	case "uneven":
		f.bunch = 0
	case "slug", "plug":
		f.lumpMOG = 0
	case "separation-loss":
		f.moreSeparation = 1
	case "cleaning-loss":
		f.moreCleaning = 1
	case "crop-loss":
		f.moreSeparation, f.moreCleaning = 1, 1
	case "returns":
		f.moreReturns = 1
	case "broken":
		f.moreBroken = 1
	case "trash":
		f.moreTrash = 1
	case "hot":
		c.body.cooling = 1
	case "fault-code":
		c.bus.faults.remove(r)
	default:
		if _, ok := ailmentOf[r.Kind]; ok {
			c.gauges[r.gauge] = condition{gain: 1}
		}
	}
}
