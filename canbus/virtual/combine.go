package virtual

import (
	"iter"
	"math"
	"time"

	"chaffinch/canbus"
)

// The machine is stepped every 10 ms (engine, rotor, ground drive, bus) and
// every 100 ms (everything slower).
const (
	fastS     = 0.01
	slowS     = 0.1
	slowTicks = 10
	tickNS    = int64(10 * time.Millisecond)
	warmUpS   = 150 // before a log that begins in the crop
)

// Combine is a make-believe combine. It is not safe for concurrent use.
type Combine struct {
	sc    Scenario
	model Model
	crop  Crop
	set   signalSet
	width float64 // of the header, m

	startNS int64 // stamp of tick 0
	hour0   float64
	tick    int64 // 10 ms each; negative while warming up
	endTick int64
	stopped bool // the day ended before the end

	cropNoise, senseNoise, habit, busNoise, errorNoise stream

	eng     engine
	rot     rotor
	use     demand
	speedMS float64
	accelMS float64

	field  field
	op     operator
	levers controls
	seen   recent
	flow   flow
	body   body
	script script
	gauges [gaugeCount]condition
	sense  senses

	bus   bus
	truth recorder
}

// body is what of the machine changes slowly.
type body struct {
	tankT      float64
	coolantC   float64
	cooling    float64 // share of the cooling that is left
	oilC       float64
	headerMM   float64
	auger      float64 // 0 to 1
	threshedS  float64 // total time with threshing engaged
	engineH    float64
	fuelL      float64
	fuelLH     float64
	distanceMM float64
	ambientC   float64
}

// New returns a combine that is about to live through the scenario. What the
// scenario leaves out has a default; call Validate first, for New takes a
// wrong scenario for the nearest right one.
func New(s Scenario, seed uint64) *Combine {
	s = s.withDefaults()
	c := &Combine{sc: s}
	var ok bool
	if c.model, ok = modelNamed(s.Machine); !ok {
		c.model = models[2]
	}
	if c.crop, ok = cropNamed(s.Crop); !ok {
		c.crop = crops[0]
	}
	if c.set, ok = setNamed(s.Signals); !ok {
		c.set = signalSets[0]
	}
	if s.YieldTHa > 0 {
		c.crop.YieldTHa = s.YieldTHa
	}
	if s.MOGRatio > 0 {
		c.crop.MOGRatio = s.MOGRatio
	}
	c.width = c.model.Width(c.crop)
	start, err := time.Parse(time.RFC3339, s.Start)
	if err != nil {
		start = time.Date(2024, 7, 30, 8, 0, 0, 0, time.UTC)
	}
	c.startNS = start.UnixNano()
	c.hour0 = float64(start.Unix()%86400) / 3600
	c.endTick = int64(s.Hours * 3600 * 100)

	c.cropNoise = newStream(seed, 1)
	c.senseNoise = newStream(seed, 2)
	c.habit = newStream(seed, 3)
	c.busNoise = newStream(seed, 4)
	c.errorNoise = newStream(seed, 5)

	c.eng = newEngine(&c.model)
	c.rot = newRotor(&c.model, &c.crop, &c.eng)
	c.field = newField(&c.sc, seed)
	c.flow = newFlow(&c.model, &c.crop)
	c.sense = newSenses()
	for g := range c.gauges {
		c.gauges[g].gain = 1
	}
	c.body = body{coolantC: 24, oilC: 24, cooling: 1, headerMM: liftedMM(&c.crop), ambientC: 24, tankT: 0, engineH: 1204.5, threshedS: 2_900_000}
	c.script = newScript(&c.sc)
	c.levers = newControls(&c.model, &c.crop, s.LoadPct)
	c.truth = newRecorder(c)
	c.begin()
	c.bus = newBus(c)
	return c
}

// begin puts the machine where the log starts.
func (c *Combine) begin() {
	c.op = newOperator(c)
	c.preset()
	if !c.sc.InCrop {
		c.op.enter(c, keyOn)
		return
	}
	c.body.coolantC, c.body.oilC = 86, 88
	c.body.tankT = 0.45 * c.tankFullT()
	c.body.headerMM = c.crop.CutMM
	c.eng.setRPM = c.eng.governed(0)
	c.eng.rpm = c.eng.reference()
	c.rot.grip = 1
	c.rot.omega = c.rot.nominal
	c.op.enter(c, cutting)
	c.tick = -warmUpS * 100
	for c.tick < 0 {
		c.advance()
	}
}

func (c *Combine) tankFullT() float64 { return c.model.TankM3 * c.crop.KGPerM3 / 1000 }

// seconds is the time since the start of the log.
func (c *Combine) seconds() float64 { return float64(c.tick) * fastS }

// hour is the hour of the day.
func (c *Combine) hour() float64 { return math.Mod(c.hour0+c.seconds()/3600, 24) }

// advance moves the machine on by one tick.
func (c *Combine) advance() {
	if c.tick%slowTicks == 0 {
		c.slow()
	}
	c.fast()
	c.tick++
}

// Next fills dst with the next frames in order of time and returns how many.
// Their Stamp is set, in whole microseconds; At is left to a Timeline. It is
// done when the log has ended; n is then what was left.
func (c *Combine) Next(dst []canbus.Frame) (n int, done bool) {
	for n < len(dst) {
		if c.bus.read == len(c.bus.out) && !c.more() {
			return n, true
		}
		k := copy(dst[n:], c.bus.out[c.bus.read:])
		c.bus.read += k
		n += k
	}
	return n, false
}

// Frames gives the frames that are left, one by one, until the log has ended. A
// frame holds until the next one; whoever gets it may write into it.
func (c *Combine) Frames() iter.Seq[*canbus.Frame] {
	return func(yield func(*canbus.Frame) bool) {
		var frame canbus.Frame
		for c.bus.read < len(c.bus.out) || c.more() {
			if c.bus.read == len(c.bus.out) {
				continue // a tick without frames
			}
			frame = c.bus.out[c.bus.read]
			c.bus.read++
			if !yield(&frame) {
				return
			}
		}
	}
}

// more sends what a tick has to send, or tells that the log has ended.
func (c *Combine) more() bool {
	if c.tick >= c.endTick || c.stopped {
		return false
	}
	c.bus.out, c.bus.read = c.bus.out[:0], 0
	c.send()
	c.advance()
	return true
}

// Elapsed is how far into the log the machine is.
func (c *Combine) Elapsed() time.Duration { return time.Duration(c.tick * tickNS) }

// fast is the physics of 10 ms.
func (c *Combine) fast() {
	e, r, f := &c.eng, &c.rot, &c.flow
	relative := e.rpm / e.reference()

	want := c.op.speedKMH / 3.6
	if c.op.throttled {
		// A pump turns with its engine, and its drive gives way before the
		// engine stalls.
		want *= min(relative, 1.04) * clamp((relative-0.66)/0.10, 0, 1)
	}
	c.accelMS = clamp((want-c.speedMS)/0.9, -1.4, 0.45)
	c.speedMS = max(0, c.speedMS+c.accelMS*fastS)
	if want == 0 && c.speedMS < 0.02 {
		c.speedMS, c.accelMS = 0, 0
	}
	mass := c.model.MassT + c.body.tankT
	wheel := propulsionKW(mass, c.field.resistance, c.field.grade, c.speedMS) + mass*c.accelMS*c.speedMS

	perMOG, perGrain := c.crop.PerMOG*f.tough, c.crop.PerGrain*f.tough
	r.cropNm = f.rotorNm(c, f.rotorGrain, f.rotorMOG)
	size := sizeOf(&c.model)
	c.use = demand{
		propulsion: drawnKW(wheel),
		header:     r.grip * (headerKWPerM*c.width*relative + headerKWPerTH*(f.topMOG+f.topGrain)),
		feeder:     r.grip * feederCrop * (perMOG*f.topMOG + perGrain*f.topGrain),
		shoe:       r.grip * (shoeBase*c.crop.BaseKW*size*relative*c.levers.effects[onShoePower] + shoeCrop*(perMOG*f.shoeMOG+perGrain*f.shoeGrain)),
		chopper:    r.grip * (chopperKW*size*relative + chopperMOG*f.chopMOG),
		auxiliary:  c.auxiliaryKW(relative),
		unloading:  c.model.UnloadKW * c.body.auger,
		rotor:      r.step(e.rpm, fastS),
	}
	e.step(c.use.sum(), fastS)
}

func (c *Combine) auxiliaryKW(relative float64) float64 {
	share := auxiliaryIdleShare
	if c.rot.grip > 0 {
		share += (auxiliaryShare - auxiliaryIdleShare) * c.rot.grip
	}
	return share * c.model.RatedKW * relative
}

// slow is everything of 100 ms, in the order of cause and effect.
func (c *Combine) slow() {
	c.script.step(c)
	c.op.step(c)
	c.leversStep()
	c.field.step(c)
	c.flow.step(c)
	c.bodyStep()
	c.sense.step(c)
	if c.tick >= 0 {
		c.truth.step(c)
	} else {
		c.truth.warm(c)
	}
}

func (c *Combine) bodyStep() {
	b := &c.body
	b.headerMM += clamp(c.op.headerMM-b.headerMM, -350*slowS, 350*slowS)
	goal := 0.0
	if c.op.augerOn && b.tankT > 0.02 {
		goal = 1
	}
	b.auger += clamp(goal-b.auger, -slowS/2, slowS/3)
	b.tankT += c.flow.tankTH / 3600 * slowS
	b.tankT = max(0, b.tankT-b.auger*c.model.UnloadTH/3600*slowS)
	if c.threshing() {
		b.threshedS += slowS
	}
	b.fuelLH = 0
	if c.eng.running() {
		b.engineH += slowS / 3600
		b.fuelLH = fuelLH(c.model.RatedKW, c.eng.netKW()/c.model.RatedKW, c.eng.rpm/c.model.RatedRPM)
	}
	b.fuelL += b.fuelLH / 3600 * slowS
	b.distanceMM += c.speedMS * slowS * 1000
	b.ambientC = 26 + 6*math.Sin(2*math.Pi*(c.hour()-9.5)/24)

	// The thermostat holds 86 C as long as the radiator can; then heat wins.
	share := max(0, c.eng.netKW()/c.model.RatedKW)
	balance := b.ambientC + 62*(0.25+0.75*share)/b.cooling
	if c.eng.running() {
		balance = max(balance, 86)
	} else {
		balance = b.ambientC
	}
	tau := 150.0
	if !c.eng.running() {
		tau = 5000
	}
	b.coolantC += (balance - b.coolantC) * slowS / tau
	b.oilC += (b.coolantC + 12*share - b.oilC) * slowS / 400
}

// fanRPM is the speed of the fan, which turns with the threshing.
func (c *Combine) fanRPM() float64 {
	return c.crop.FanRPM * c.rot.grip * c.eng.rpm / c.eng.reference()
}

// threshing tells whether the threshing clutch is engaged.
func (c *Combine) threshing() bool { return c.op.threshOn && c.rot.grip > 0 }

// headerWorking tells whether the header is in working position.
func (c *Combine) headerWorking() bool { return c.body.headerMM < workingBelowMM(&c.crop) }

// unloading tells whether the auger runs.
func (c *Combine) unloading() bool { return c.body.auger > 0.1 }

func liftedMM(c *Crop) float64       { return c.CutMM + 750 }
func workingBelowMM(c *Crop) float64 { return c.CutMM + 350 }
