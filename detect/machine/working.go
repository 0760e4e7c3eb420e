package machine

import (
	"time"

	"chaffinch/canbus/signal"
)

// working answers the questions on which an activity rests: is the threshing
// part engaged, is the header in work, does the machine move, does it unload,
// is the rotor stuck. Each answer stands for a while when its inputs go quiet,
// then it is not known.
type working struct {
	threshing, header, moving, unloading answer

	// rotorTurned is set once the rotor has turned since it was engaged: a
	// rotor that stands then is stuck, one that never turned is starting.
	rotorTurned bool
	rotorStands signal.Instant // since when; Never while it turns
	split       powerSplit
	height      heightSplit
	bent        bool // the way turns sharply
	straight    int  // steps out of crop, by power alone, without a sharp turn
	// sureOut is set while the machine is out of the crop by more than its
	// power: a header signal, a sharp turn, or standing.
	sureOut     bool
	standsSince signal.Instant
}

// answer is a yes or no with what it rests on.
type answer struct {
	is    Tri
	basis string
	at    signal.Instant // when it was last worked out
}

// memory is how long an answer stands when nothing supports it any more.
const memory = 5 * time.Second

// say keeps the newest answer that is known.
func (a *answer) say(now signal.Instant, is Tri, basis string) {
	switch {
	case is != NotKnown:
		*a = answer{is: is, basis: basis, at: now}
	case now.Sub(a.at) > memory:
		a.is, a.basis = NotKnown, ""
	}
}

const (
	// turningRPM: threshing rotors and cylinders work at 250 to 1,300 rpm.
	turningRPM = 150
	// startRPM must have been reached before a standing rotor counts as stuck.
	startRPM = 250
	// stuckAfter is how long an engaged rotor must stand.
	stuckAfter = 2 * time.Second
	// moveKPH and stopKPH bound the hysteresis of moving. Positions wander,
	// so a track has to show more.
	moveKPH, stopKPH           = 1.2, 0.6
	trackMoveKPH, trackStopKPH = 2.2, 1.4
	// sharpBend in some six seconds is no curve that a header follows: at
	// 5 km/h, a radius under 14 m.
	sharpBend = 18
	// engagedShare of the power of empty running, and governedShare of the
	// speed in work, show that the threshing part is engaged.
	engagedShare, disengagedShare = 0.5, 0.35
	governedShare                 = 0.85
	// augerShare of rated power over empty running, in a machine that stands
	// and is empty, is the unloading auger: 15 to 40 kW.
	augerShare, augerLeast = 0.05, 0.03
	// emptiedAfter standing, what was in the machine is through.
	emptiedAfter = 8 * time.Second
	// straightMost steps is longer than the straight part of any headland.
	straightMost = 450
	// fastKPH is over every speed at which grain is cut.
	fastKPH = 14
)

func (w *working) reset() {
	*w = working{rotorStands: signal.Never, standsSince: signal.Never, height: w.height, split: w.split}
	for _, a := range []*answer{&w.threshing, &w.header, &w.moving, &w.unloading} {
		a.at = signal.Never
	}
}

func (w *working) step(s *State, f *feedEstimate, bend float64, bendKnown bool) {
	now := s.Now
	w.bent = bendKnown && bend >= sharpBend
	is, basis := w.isThreshing(s, f)
	w.threshing.say(now, is, basis)
	s.Threshing = w.threshing.is

	is, basis = w.isMoving(s)
	w.moving.say(now, is, basis)

	is, basis = w.isUnloading(s, f)
	w.unloading.say(now, is, basis)

	w.stepRotor(s)
	w.height.step(s, w.moving.is)
	is, basis = w.isHeaderInWork(s, f)
	w.header.say(now, is, basis)
	s.Header = NotKnown
	if w.header.basis == headerFlag || w.header.basis == headerHeight {
		s.Header = w.header.is
	}
	w.learn(s, f)
}

// isThreshing: a flag decides; then what turns with the threshing part; then
// what only crop brings.
func (w *working) isThreshing(s *State, f *feedEstimate) (Tri, string) {
	now, t := s.Now, &s.Signals
	if s.Engine.Running == No {
		return No, "engine off"
	}
	if v, ok := signal.ThreshingEngaged.Fresh(t, now); ok {
		return tri(v.On()), "threshing flag"
	}
	if v, ok := signal.RotorSpeed.Fresh(t, now); ok {
		return tri(v > turningRPM), "rotor"
	}
	if v, ok := signal.FanSpeed.Fresh(t, now); ok {
		return tri(v > turningRPM), "fan"
	}
	if v, ok := signal.GrainFlow.Fresh(t, now); ok && v > 1 {
		return Yes, "grain flow"
	}
	header, headerOK := signal.HeaderWorking.Fresh(t, now)
	if headerOK && header.On() && s.Speed.Known && s.Speed.Value > stopKPH && s.Speed.Value < fastKPH {
		return Yes, "header in work"
	}
	rpm, rpmOK := signal.EngineSpeed.Fresh(t, now)
	switch {
	case rpmOK && rpm < 1400:
		return No, "engine at idle"
	case s.Speed.Known && s.Speed.Value > fastKPH:
		return No, "speed"
	case !rpmOK || !f.powerKnown || heardOfThreshing(s):
		return NotKnown, ""
	}
	// What remains with propulsion taken off: some auxiliaries, or threshing too.
	share := f.bareKW() / f.empty.base
	switch {
	case s.Engine.ReferenceKnown && float64(rpm/s.Engine.Reference) < governedShare && w.threshing.is != Yes:
		return No, "engine speed"
	case share > engagedShare:
		return Yes, enginePower
	case share < disengagedShare:
		return No, enginePower
	}
	return w.threshing.is, enginePower
}

// heardOfThreshing tells whether this machine has signals that say more about
// threshing than its engine does, be they quiet at present: they may be while
// threshing is off.
func heardOfThreshing(s *State) bool {
	return s.Health[signal.ThreshingEngaged.ID].Ever || s.Health[signal.RotorSpeed.ID].Ever || s.Health[signal.FanSpeed.ID].Ever
}

func (w *working) isMoving(s *State) (Tri, string) {
	if !s.Speed.Known {
		return NotKnown, ""
	}
	move, stop, basis := signal.KPH(moveKPH), signal.KPH(stopKPH), "speed"
	if s.Speed.FromTrack {
		move, stop, basis = trackMoveKPH, trackStopKPH, "positions"
	}
	switch {
	case s.Speed.Value >= move:
		return Yes, basis
	case s.Speed.Value <= stop, w.moving.is == NotKnown:
		return No, basis
	}
	return w.moving.is, basis
}

// What the header's state rests on when it comes from signals of its own.
const (
	headerFlag   = "header flag"
	headerHeight = "header height"
	enginePower  = "engine power"
)

// isHeaderInWork: a flag, the height against the split of high and low that
// this machine shows, the header's own load, or crop in the engine's power and a
// way that does not turn sharply.
func (w *working) isHeaderInWork(s *State, f *feedEstimate) (Tri, string) {
	now, t := s.Now, &s.Signals
	if v, ok := signal.HeaderWorking.Fresh(t, now); ok {
		return tri(v.On()), headerFlag
	}
	if v, ok := signal.HeaderHeight.Fresh(t, now); ok {
		return tri(float64(v) < w.height.limit()), headerHeight
	}
	if v, ok := signal.FeederLoad.Fresh(t, now); ok {
		return tri(v > 8), "feeder load"
	}
	if f.powerKnown {
		if w.bent {
			return No, "sharp turn"
		}
		if is := w.split.inCrop(f.bareKW(), w.header.is); is != NotKnown {
			return is, enginePower
		}
	}
	if v, ok := signal.GrainFlow.Fresh(t, now); ok {
		return tri(v > 1), "grain flow"
	}
	return NotKnown, ""
}

// stepRotor tells a stuck rotor from one that is starting or was switched off.
func (w *working) stepRotor(s *State) {
	rpm, ok := signal.RotorSpeed.Fresh(&s.Signals, s.Now)
	flag, flagOK := signal.ThreshingEngaged.Fresh(&s.Signals, s.Now)
	switch {
	case flagOK && !flag.On():
		w.rotorTurned, w.rotorStands = false, signal.Never
	case !ok:
	case rpm > startRPM:
		w.rotorTurned, w.rotorStands = true, signal.Never
	case rpm > turningRPM:
		w.rotorStands = signal.Never
	case w.rotorStands == signal.Never:
		w.rotorStands = s.Now
	}
}

// stuck needs a flag that says engaged: without one a standing rotor is off.
func (w *working) stuck(s *State) bool {
	flag, ok := signal.ThreshingEngaged.Fresh(&s.Signals, s.Now)
	return ok && flag.On() && s.Engine.Running == Yes &&
		w.rotorTurned && w.rotorStands != signal.Never && s.Now.Sub(w.rotorStands) >= stuckAfter
}

// learn follows what the engine's power says of crop.
func (w *working) learn(s *State, f *feedEstimate) {
	switch {
	case w.header.is == Yes:
		w.sureOut = false
	case w.bent, w.moving.is == No, s.Header == No:
		w.sureOut = true
	}
	if w.threshing.is != Yes || w.moving.is != Yes || !f.powerKnown {
		w.straight = 0
		return
	}
	if f.motion.steady {
		w.split.step(f.bareKW(), w.bent)
	}
	if w.header.is == No && w.header.basis == enginePower && !w.bent {
		if w.straight++; w.straight > straightMost {
			// No headland is that long: what was taken for crop was not.
			w.split = powerSplit{least: w.split.least}
			w.straight = 0
		}
	} else {
		w.straight = 0
	}
}

// isUnloading: a signal decides. Where none was ever heard, a machine that
// stands empty with threshing engaged and takes an auger's power more than it
// needs is unloading.
func (w *working) isUnloading(s *State, f *feedEstimate) (Tri, string) {
	if v, ok := signal.Unloading.Fresh(&s.Signals, s.Now); ok {
		return tri(v.On()), "unloading signal"
	}
	if s.Health[signal.Unloading.ID].Ever || !f.powerKnown || w.moving.is == NotKnown {
		return NotKnown, ""
	}
	if w.moving.is == Yes || w.threshing.is != Yes {
		w.standsSince = signal.Never
		return No, enginePower
	}
	if w.standsSince == signal.Never {
		w.standsSince = s.Now
	}
	if s.Now.Sub(w.standsSince) < emptiedAfter || !f.empty.known() {
		return No, enginePower
	}
	limit := augerShare
	if w.unloading.is == Yes {
		limit = augerLeast
	}
	return tri(f.cropKW > limit*f.ratedKW), enginePower
}
