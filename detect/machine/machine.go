package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// Machine folds readings into States. It is meant for one goroutine.
//
// Each frame's readings go to Apply as they come; Step then makes one State
// of ten a second. The work is split by idea: activity.go and working.go say
// what the machine does, feed.go how much crop goes through it, track.go how
// fast the positions move.
type Machine struct {
	// SenderHeard tells when a sender was last heard, so that values which it
	// sends only on change stay alive with it. It may be nil: such values then
	// age like all others.
	SenderHeard func(signal.Source) signal.Instant

	state   State
	rotor   Rotor // gathered for the next State
	faults  []Fault
	track   track
	working working
	hold    activityHold
	engine  engineReference
	feed    feedEstimate

	busSeen     bool
	busReturned signal.Instant
	runningSince,
	engineKnown signal.Instant
}

// New makes a machine from what its owner knows of it and of the crop.
func New(own Settings, crop Crop) *Machine {
	m := &Machine{feed: newFeedEstimate(own, crop)}
	m.working.split.least = splitLeastShare * m.feed.ratedKW
	m.clear()
	return m
}

// busPause is the silence after which the bus counts as having come back.
const busPause = 2 * time.Second

// Heard notes a good frame of any kind.
func (m *Machine) Heard(at signal.Instant) {
	if !m.busSeen || at.Sub(m.state.BusHeard) > busPause {
		m.busSeen = true
		m.busReturned = at
	}
	m.state.BusHeard = at
}

// Apply takes a reading in the signal's own unit. A value that is not a finite
// number counts as out of range.
func (m *Machine) Apply(id signal.ID, r signal.Reading[float64]) {
	if int(id) >= signal.Count {
		return
	}
	if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		r.Value, r.Quality = 0, signal.OutOfRange
	}
	h := &m.state.Health[id]
	h.apply(r)
	m.state.Signals.Set(id, r)
	if r.Quality != signal.Good {
		return
	}
	switch id {
	case signal.RotorSpeed.ID:
		m.rotor.add(signal.RPM(r.Value), r.At)
	case signal.Latitude.ID, signal.Longitude.ID:
		m.track.add(id, r)
	}
}

// longestInterval bounds what one gap can say about a sender's usual interval.
const longestInterval = 20 * time.Second

func (h *Health) apply(r signal.Reading[float64]) {
	if h.Heard != signal.Never {
		gap := min(max(r.At.Sub(h.Heard), 0), longestInterval)
		if h.Interval == 0 {
			h.Interval = gap
		} else {
			h.Interval += (gap - h.Interval) / 16
		}
	}
	h.Heard = r.Heard
	if r.Quality != signal.NotAvailable && r.Quality != signal.Missing {
		h.Spoke = r.Heard
	}
	switch {
	case r.Quality != signal.SensorError:
		h.Erring = signal.Never
	case h.Erring == signal.Never:
		h.Erring = r.At
	}
	if r.Quality == signal.Good {
		h.Ever = true
	}
}

func (r *Rotor) add(v signal.RPM, at signal.Instant) {
	if r.Readings == 0 {
		*r = Rotor{Lowest: v, Highest: v, First: at}
	}
	r.Readings++
	r.Lowest, r.Highest = min(r.Lowest, v), max(r.Highest, v)
}

// Faults replaces the active fault codes. The list is copied.
func (m *Machine) Faults(active []Fault) {
	m.faults = append(m.faults[:0], active...)
	m.state.Faults = m.faults
}

// Engine notes what the engine says of itself, to turn torque and load into
// power. It may be called at any time, and again when that changes.
func (m *Machine) Engine(facts EngineFacts) { m.feed.net.take(facts) }

// Step makes the State at now. It is valid until the next Apply or Step.
func (m *Machine) Step(now signal.Instant) *State {
	s := &m.state
	s.Now = now
	s.Rotor, m.rotor = m.rotor, Rotor{}
	m.touch()
	m.track.step(now)
	m.stepEngine(now)
	m.stepSpeed(now)
	second := m.feed.power(s)
	bend, bendKnown := m.track.bend()
	m.working.step(s, &m.feed, bend, bendKnown)
	m.hold.step(s, &m.working)
	m.engine.step(s)
	m.feed.step(s, second, &m.working)
	s.Ledger.add(s.Activity, m.working.unloading.is == Yes)
	return s
}

// touch lets values that are sent only on change live as long as their sender.
func (m *Machine) touch() {
	if m.SenderHeard == nil {
		return
	}
	for id := range signal.ID(signal.Count) {
		r := m.state.Signals.Get(id)
		if !r.OnChange {
			continue
		}
		at := m.SenderHeard(r.From)
		if at <= r.Heard {
			continue
		}
		m.state.Signals.Touch(id, at)
		h := &m.state.Health[id]
		h.Heard = at
		if r.Quality != signal.NotAvailable && r.Quality != signal.Missing {
			h.Spoke = at
		}
	}
}

const (
	// runningRPM is under the low idle of every engine of this size and over
	// what a starter turns (common practice, no source).
	runningRPM = 400
	// engineMemory is how long a last known engine state stands while its
	// signal is quiet.
	engineMemory = 3 * time.Second
)

// stepEngine works out whether the engine runs. Speed decides; where no speed
// was ever heard, what only a running engine does.
func (m *Machine) stepEngine(now signal.Instant) {
	e := &m.state.Engine
	before := e.Running
	t := &m.state.Signals
	switch rpm, fresh := signal.EngineSpeed.Fresh(t, now); {
	case fresh:
		e.Running = tri(rpm >= runningRPM)
		m.engineKnown = now
	case m.state.Health[signal.EngineSpeed.ID].Ever && now.Sub(m.engineKnown) <= engineMemory:
		// the last known state stands
	default:
		e.Running = runningWithoutSpeed(t, now)
	}
	if e.Running != NotKnown {
		e.LastRunning = e.Running
	}
	if e.Running == Yes && before != Yes {
		m.runningSince = now
	}
	e.Since = max(m.runningSince, m.busReturned)
}

func runningWithoutSpeed(t *signal.Table, now signal.Instant) Tri {
	if v, ok := signal.RotorSpeed.Fresh(t, now); ok && v > turningRPM {
		return Yes
	}
	if v, ok := signal.FuelRate.Fresh(t, now); ok {
		return tri(v > 0.5)
	}
	if v, ok := signal.EngineLoad.Fresh(t, now); ok && v > 3 {
		return Yes
	}
	return NotKnown
}

// stepSpeed takes the ground speed that the bus gives, or that of the positions.
func (m *Machine) stepSpeed(now signal.Instant) {
	s := &m.state.Speed
	if v, ok := signal.GroundSpeed.Fresh(&m.state.Signals, now); ok {
		*s = Speed{Value: v, Known: true}
		return
	}
	v, ok := m.track.speed()
	*s = Speed{Value: v, Known: ok, FromTrack: ok}
}

// Reset forgets everything but the settings and what was learned about the
// machine and the crop: a new segment of the stream begins.
func (m *Machine) Reset() {
	segment := m.state.Segment + 1
	m.clear()
	m.state.Segment = segment
}

func (m *Machine) clear() {
	ledger := m.state.Ledger
	m.state = State{Ledger: ledger, BusHeard: signal.Never, InCrop: signal.Never, Engine: Engine{Since: signal.Never}}
	for id := range m.state.Health {
		m.state.Health[id] = Health{Spoke: signal.Never, Heard: signal.Never, Erring: signal.Never}
	}
	m.rotor = Rotor{}
	m.faults = m.faults[:0]
	m.track = track{}
	m.working.reset()
	m.hold = activityHold{}
	m.feed.reset()
	m.busSeen = false
	m.busReturned, m.runningSince, m.engineKnown = signal.Never, signal.Never, signal.Never
}

func tri(yes bool) Tri {
	if yes {
		return Yes
	}
	return No
}
