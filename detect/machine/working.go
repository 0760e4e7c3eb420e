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
	engineLevel level          // load with the threshing part engaged and no crop
	height      heightSplit
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
	// cropLoad is how many points of engine load over the empty running show
	// that crop goes through.
	cropLoad = 12
	// fastKPH is over every speed at which grain is cut.
	fastKPH = 14
)

func (w *working) reset() {
	*w = working{rotorStands: signal.Never, height: w.height, engineLevel: w.engineLevel}
	for _, a := range []*answer{&w.threshing, &w.header, &w.moving, &w.unloading} {
		a.at = signal.Never
	}
}

func (w *working) step(s *State) {
	now, t := s.Now, &s.Signals
	is, basis := w.isThreshing(s)
	w.threshing.say(now, is, basis)
	s.Threshing = w.threshing.is

	is, basis = w.isMoving(s)
	w.moving.say(now, is, basis)

	is = NotKnown
	if v, ok := signal.Unloading.Fresh(t, now); ok {
		is = tri(v.On())
	}
	w.unloading.say(now, is, "unloading signal")

	w.stepRotor(s)
	w.height.step(s, w.moving.is)
	is, basis = w.isHeaderInWork(s)
	w.header.say(now, is, basis)
	s.Header = NotKnown
	if w.header.basis == headerFlag || w.header.basis == headerHeight {
		s.Header = w.header.is
	}
	w.learn(s)
}

// isThreshing: a flag decides; then what turns with the threshing part; then
// what only crop brings.
func (w *working) isThreshing(s *State) (Tri, string) {
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
	load, loadOK := signal.EngineLoad.Fresh(t, now)
	switch {
	case rpmOK && rpm < 1400:
		return No, "engine at idle"
	case s.Speed.Known && s.Speed.Value > fastKPH:
		return No, "speed"
	case rpmOK && loadOK && load > 35 && !heardOfThreshing(s):
		return Yes, "engine load"
	}
	return NotKnown, ""
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
)

// isHeaderInWork: a flag, the height against the split of high and low that
// this machine shows, the header's own load, or crop in the engine's load.
func (w *working) isHeaderInWork(s *State) (Tri, string) {
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
	if load, ok := signal.EngineLoad.Fresh(t, now); ok && w.engineLevel.known() {
		limit := w.engineLevel.value + cropLoad
		if w.header.is == Yes {
			limit = w.engineLevel.value + cropLoad/2
		}
		return tri(float64(load) > limit), "engine load"
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

// learn follows the load of empty running: threshing engaged, standing still
// or with the header known to be out of work.
func (w *working) learn(s *State) {
	if w.threshing.is != Yes {
		return
	}
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if !ok {
		return
	}
	w.engineLevel.follow(float64(load))
}

// level follows the low end of a signal: it sinks in seconds and rises in
// minutes, so that it stays with the empty running between two passes. It is
// known once the signal has been well above it too: a machine that has only cut
// so far has not shown its empty running.
type level struct {
	value float64
	top   float64
	steps int
}

const (
	levelSink  = 0.05   // a step of 100 ms: 2 s
	levelRise  = 0.0002 // a step of 100 ms: 8 min
	levelKnown = 50     // steps
	levelApart = 20     // points from low to high end
)

func (l *level) follow(v float64) {
	switch {
	case l.steps == 0:
		l.value, l.top = v, v
	case v < l.value:
		l.value += levelSink * (v - l.value)
	default:
		l.value += levelRise * (v - l.value)
	}
	if v > l.top {
		l.top += levelSink * (v - l.top)
	}
	l.steps++
}

func (l *level) known() bool { return l.steps >= levelKnown && l.top-l.value >= levelApart }
