package virtual

import "math"

// Truth is what really happened, in seconds from the first frame. How each
// kind is defined stands in the package's documentation.
type Truth struct {
	// Start is the stamp of the first frame (RFC 3339), from which seconds
	// count.
	Start     string     `json:"start,omitempty"`
	Intervals []Interval `json:"intervals"`
	// Quiet are stretches in which nothing at all should be raised: the
	// machine is not cutting, and nothing is wrong.
	Quiet [][2]float64 `json:"quiet"`
	// Doubtful are stretches where a condition nearly held, or is explained
	// by another: an alarm of the kind there counts neither way.
	Doubtful []Interval `json:"doubtful,omitempty"`
	// Activity and FeedTH are a value a second: what the machine did at its
	// end, and the mean crop entering the threshing element, grain and MOG
	// together. Unloading is 1 while the auger runs.
	Activity  []string  `json:"activity"`
	FeedTH    []float64 `json:"feed_t_h"`
	GrainTH   []float64 `json:"grain_t_h"`
	Unloading []uint8   `json:"unloading"`
}

// Interval is a stretch of trouble. An alarm raised within the grey margins
// counts as raised inside.
type Interval struct {
	Kind       string  `json:"kind"`
	Began      float64 `json:"began_s"`
	Ended      float64 `json:"ended_s"`
	GreyBefore float64 `json:"grey_before_s"`
	GreyAfter  float64 `json:"grey_after_s"`
	// Subject is the signal, or the fault code as SPN-FMI, where a kind can
	// speak of several.
	Subject string `json:"subject,omitempty"`
}

// recorder watches the true state of the machine.
type recorder struct {
	overload, sag, rotor, drop, uneven, spare, hot watch
	separation, cleaning, returns, broken, trash   watch
	cropLoss                                       watch
	held                                           []watch // a setting at its limit

	activity string
	since    float64 // when activity began
	inCropS  float64 // when the machine last entered the crop
	loadSeen smooth
	cropKW   smooth // taken by the crop
	restKW   smooth // and by all else

	window  minute // feed of the last minute of this entry
	speeds  minute
	dropRef float64
	dropV   float64
	dropS   float64 // last time a drop held
	bunchS  float64 // last time that the header fed in bunches
	busyS   float64 // last time of an overload or a slowing rotor
	short   [300]float64
	shortV  [300]float64 // ground speed when that feed was cut
	cutV    [lagSteps]float64
	shortN  int

	// Levels of the relative sensors at comfortable fullness, at this hour.
	daySep, dayClean, usualS                                    float64
	usualCrop                                                   float64 // % of grain
	dayEffects                                                  effects // of the levers, likewise
	usualSep, usualClean, usualReturns, usualBroken, usualTrash float64

	spans    []span
	acts     []string
	feeds    []float64
	grains   []float64
	unloads  []uint8
	sumFeed  float64
	sumGrain float64
	count    int
	keyOnS   float64
}

type span struct {
	activity string
	from, to float64
}

// lagSteps is how many steps the crop takes from the knife to the rotor, lags
// included.
const lagSteps = rotorDelay + 10

// lossesLag is how long, in s, what went in is still seen behind the machine.
const lossesLag = 20

// minute is the mean over the last 60 s.
type minute struct {
	ring [600]float64
	n    int
	sum  float64
}

func (m *minute) add(v float64) {
	i := m.n % len(m.ring)
	if m.n >= len(m.ring) {
		m.sum -= m.ring[i]
	}
	m.ring[i] = v
	m.sum += v
	m.n++
}
func (m *minute) mean() float64 { return m.sum / float64(max(1, min(m.n, len(m.ring)))) }
func (m *minute) clear()        { m.n, m.sum = 0, 0 }

func newRecorder(c *Combine) recorder {
	r := recorder{
		overload:   watch{kind: "engine-overload", delayS: 30, gapS: 1, beforeS: 2, afterS: 5},
		sag:        watch{kind: "engine-overload", delayS: 3, gapS: 1, beforeS: 2, afterS: 5},
		rotor:      watch{kind: "rotor-slowing", delayS: 0.5, gapS: 2, beforeS: 1, afterS: 2},
		drop:       watch{kind: "feed-drop", delayS: 4, gapS: 1, beforeS: 2, afterS: 5},
		uneven:     watch{kind: "feed-uneven", delayS: 30, gapS: 5, beforeS: 5, afterS: 30},
		spare:      watch{kind: "spare-capacity", delayS: 90, gapS: 8, beforeS: 30, afterS: 30},
		hot:        watch{kind: "engine-hot", delayS: 10, gapS: 3, beforeS: 5, afterS: 5},
		separation: watch{kind: "separation-loss-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		cleaning:   watch{kind: "cleaning-loss-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		returns:    watch{kind: "returns-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		broken:     watch{kind: "broken-grain-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		trash:      watch{kind: "trash-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		cropLoss:   watch{kind: "crop-loss-high", delayS: 10, gapS: 8, beforeS: 10, afterS: 20},
		held:       newHolds(c.sc.Limits),
		activity:   "off", keyOnS: 0, inCropS: -1e9, busyS: -1e9, dropS: -1e9, bunchS: -1e9,
	}
	return r
}

// whatItDoes is the machine's activity, by the definitions of the design.
func (c *Combine) whatItDoes() string {
	moving := c.speedMS > 0.14
	switch {
	case !c.eng.running():
		return "off"
	case c.op.threshOn && c.rot.grip == 1 && c.rot.rpm() < 0.3*c.rot.implied(c.eng.rpm):
		return "blocked"
	case c.threshing() && moving && c.headerWorking():
		return "cutting"
	case c.threshing() && moving:
		return "turning"
	case moving:
		return "travelling"
	case c.unloading():
		return "unloading"
	case c.threshing():
		return "waiting"
	}
	return "idle"
}

// warm lets the windows fill before the log begins.
func (r *recorder) warm(c *Combine) {
	r.windows(c, c.seconds())
	r.activity = c.whatItDoes()
	r.inCropS = c.seconds()
	if c.op.phase == cutting {
		r.inCropS = c.op.since
	}
}

func (r *recorder) windows(c *Combine, t float64) {
	feed, v := c.flow.feedTH(), c.speedMS
	i := r.shortN % 300
	r.short[i], r.shortV[i] = feed, r.cutV[r.shortN%lagSteps]
	if r.shortN < lagSteps {
		r.shortV[i] = v
	}
	r.cutV[r.shortN%lagSteps] = v
	r.shortN++
	if t-r.inCropS >= 10 {
		r.window.add(feed)
		r.speeds.add(v)
	}
}

func (r *recorder) step(c *Combine) {
	t := c.seconds()
	now := c.whatItDoes()
	if t == 0 {
		r.since = 0
	}
	if now != r.activity {
		r.spans = append(r.spans, span{r.activity, r.since, t})
		if now == "cutting" {
			r.inCropS = t
			r.window.clear()
			r.speeds.clear()
			r.shortN = 0
		}
		if r.activity == "off" && now != "off" {
			r.keyOnS = t
		}
		r.activity, r.since = now, t
	}
	cuts := now == "cutting"
	settled := cuts && t-r.inCropS >= 10
	r.alarms(c, t, cuts, settled)
	if cuts {
		r.windows(c, t)
	}

	r.sumFeed += c.flow.feedTH()
	r.sumGrain += c.flow.rotorGrain
	r.count++
	if r.count == 10 {
		r.acts = append(r.acts, now)
		r.feeds = append(r.feeds, math.Round(r.sumFeed*10)/100)
		r.grains = append(r.grains, math.Round(r.sumGrain*10)/100)
		u := uint8(0)
		if c.unloading() {
			u = 1
		}
		r.unloads = append(r.unloads, u)
		r.count, r.sumFeed, r.sumGrain = 0, 0, 0
	}
}

// alarms puts the true state against the conditions of each kind.
func (r *recorder) alarms(c *Combine, t float64, cuts, settled bool) {
	only := func(ok bool, level int) int {
		if ok {
			return level
		}
		return no
	}
	load := r.loadSeen.step(c.eng.loadPct, slowS, 0.2)
	n := c.eng.rpm / c.eng.reference()
	r.overload.step(t, only(cuts, grade(load, 92, 95, 96.5)))
	sag := min(grade(load, 96, 98, 99), under(n, 0.965, 0.95, 0.94))
	if r.sag.loose && r.sag.strict && load >= 92 {
		sag = max(sag, perhaps) // the speed is back, the load is not
	}
	r.sag.step(t, only(cuts, sag))

	turning := 1.0
	if c.rot.grip == 1 && c.op.threshOn && c.eng.running() {
		turning = c.rot.rpm() / max(1, c.rot.implied(c.eng.rpm))
		if t-c.op.since < 16 && c.op.phase == engaging {
			turning = 1
		}
	}
	rotorLevel := under(turning, 0.955, 0.94, 0.93)
	r.rotor.step(t, rotorLevel)

	if rotorLevel > no || c.flow.lumpMOG > 0 || c.flow.density > 1.1 {
		r.busyS = t
	}
	r.drop.step(t, only(settled, r.dropLevel(c, t)))
	r.uneven.step(t, only(settled && t-r.inCropS >= 40, r.unevenLevel(t)))
	// Comfortably full is what the engine can take at 85 % of rated power on the
	// ground and in the straw of the moment.
	crop := c.flow.cropKW(c, c.flow.rotorGrain, c.flow.rotorMOG)
	taken := r.cropKW.step(crop, slowS, 10)
	rest := r.restKW.step(c.eng.netKW()-crop, slowS, 30)
	full := taken / max(0.85*c.model.RatedKW-rest, 1)
	r.usual(c, settled)
	spare := under(full, 0.72, 0.65, 0.58)
	separationUp := level(c.flow.separationPct, separationScale) >= r.usualSep+10
	cleaningUp := c.sense.clearCleaning >= r.usualClean+10
	if separationUp || cleaningUp {
		spare = min(spare, perhaps)
		if c.set.own && (cleaningUp || !c.sc.LossSaturated) {
			spare = no // it can be heard
		}
	}
	if r.returns.active(t) > no || r.trash.active(t) > no {
		spare = min(spare, perhaps) // the quality is not fine
	}
	r.spare.step(t, only(settled && load < 88, spare))
	r.hot.step(t, grade(c.body.coolantC, 103, 105, 106))

	// Where an overload, a slug or a header that feeds in bunches explains a
	// loss, an alarm of it is neither asked for nor wrong.
	uneven := t < r.bunchS+lossesLag
	if c.flow.bunch > 0 {
		r.bunchS = t
	}
	// Where the script makes it worse but not that bad, an alarm is not wrong.
	level := func(w *watch, value, usual, cv, byFeed, worse float64, stands bool) {
		margin := max(15, 3*usual*math.Hypot(cv, byFeed))
		l := grade(value, usual+0.7*margin, usual+margin, usual+1.15*margin)
		if !stands || uneven || load > 94 || r.overload.strict && r.overload.loose || rotorLevel > no {
			l = min(l, perhaps)
		}
		if worse > 1.5 {
			l = max(l, perhaps)
		}
		w.step(t, only(settled, l))
	}
	s := &c.sense
	moves := func(g gauge) bool { return c.gauges[g].ailment != stuck }
	moved := func(i int) float64 { return c.levers.effects[i] / r.dayEffects[i] }
	level(&r.separation, s.clearSeparation, r.usualSep, lossCV, 0.45, c.flow.moreSeparation*moved(onSeparation), !c.sc.LossSaturated && c.set.own && moves(separationLoss))
	level(&r.cleaning, s.clearCleaning, r.usualClean, lossCV, 0.45, c.flow.moreCleaning*moved(onCleaning), c.set.own && moves(cleaningLoss))
	level(&r.returns, s.clearReturns, r.usualReturns, returnsCV, 0.2, c.flow.moreReturns*c.levers.effects.returns()/r.dayEffects.returns(), c.set.own && moves(returnsLevel))
	level(&r.broken, s.clearBroken, r.usualBroken, sampleCV, 0.2, c.flow.moreBroken*moved(onBroken), c.set.own && moves(brokenGrain))
	// Where the two parts of it are heard, they explain the whole. Its sensor
	// gives percent of grain, as it is.
	level(&r.cropLoss, c.flow.separationPct+c.flow.cleaningPct, r.usualCrop, 0, 0.45, max(c.flow.moreSeparation*moved(onSeparation), c.flow.moreCleaning*moved(onCleaning)), c.set.process && !c.set.own)
	level(&r.trash, s.clearTrash, r.usualTrash, sampleCV, 0.2, c.flow.moreTrash*moved(onTrash), c.set.own && moves(trashLevel))
	r.holding(c, t, settled)
}

// usual works out the levels of the relative sensors at a comfortable fullness,
// 0.86 of the feed at 85 % of rated power. What losses are over the law of
// their feed, and trouble apart, is the day, the slope and the straw: usual is
// their mean over a quarter of an hour of work.
func (r *recorder) usual(c *Combine, cuts bool) {
	const comfortable, share = 0.86, slowS / 900
	f := &c.flow
	damp := dew(c.hour()) - 0.25
	if r.usualS == 0 {
		r.dayEffects = c.levers.aim
		r.daySep, r.dayClean = max(0.3, 1+0.9*damp)*r.dayEffects[onSeparation], max(0.4, 1-0.6*damp)*r.dayEffects[onCleaning]
	}
	r.usualS += slowS
	if cuts {
		for i, now := range c.levers.effects {
			r.dayEffects[i] += share * (now - r.dayEffects[i])
		}
	}
	if cuts && f.separationX > 0.5 && f.cleaningX > 0.5 {
		r.daySep += share * (f.separationPct/(1.1*math.Pow(f.separationX, 3.5)*f.moreSeparation) - r.daySep)
		r.dayClean += share * (f.cleaningPct/(0.7*math.Pow(f.cleaningX, 4)*f.moreCleaning) - r.dayClean)
	}
	r.usualCrop = 1.1*math.Pow(comfortable, 3.5)*r.daySep + 0.7*math.Pow(comfortable, 4)*r.dayClean
	r.usualSep = level(1.1*math.Pow(comfortable, 3.5)*r.daySep, separationScale)
	r.usualClean = level(0.7*math.Pow(comfortable, 4)*r.dayClean, cleaningScale)
	r.usualReturns = level(math.Pow(comfortable/0.85, 1.5)*r.dayEffects.returns(), returnsScale)
	r.usualBroken = level(max(0.5, 1-0.6*damp)*r.dayEffects[onBroken], brokenScale)
	r.usualTrash = level(1.08*r.dayEffects[onTrash], trashScale)
}

// dropLevel compares the feed with its own minute before it fell.
func (r *recorder) dropLevel(c *Combine, t float64) int {
	if r.drop.loose {
		if t-r.drop.looseFrom > 60 {
			return no // by now the minute has forgotten
		}
	} else {
		if r.window.n < 200 {
			return no
		}
		r.dropRef, r.dropV = r.window.mean(), r.speeds.mean()
	}
	level := under(c.flow.feedTH()/r.dropRef, 0.60, 0.50, 0.44)
	level = min(level, grade(c.speedMS/r.dropV, 0.62, 0.70, 0.76))
	if r.drop.strict && r.drop.loose && t-r.drop.from > 3 {
		r.dropS = t
	}
	return level
}

// unevenLevel is the coefficient of variation of feed per ground speed over
// 30 s.
func (r *recorder) unevenLevel(t float64) int {
	if r.shortN < 300 || t-r.dropS < 35 {
		return no
	}
	var sum, square float64
	for i := range r.short {
		x := r.short[i] / max(r.shortV[i], 0.3)
		sum += x
		square += x * x
	}
	if t-r.busyS < 35 {
		return perhaps // a lump or a thick patch explains it
	}
	mean := sum / 300
	cv := math.Sqrt(max(0, square/300-mean*mean)) / max(mean, 1e-9)
	return grade(cv, 0.20, 0.25, 0.28)
}
