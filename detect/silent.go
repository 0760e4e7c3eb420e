package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// silence: a signal that was heard before, or is required, is not sent any
// more or only as "not available".
//
// One dead sender or one cut wire takes several signals with it. What falls
// silent together, from one sender within a second, is one event: it speaks of
// the most important of the signals and says how many others went with it.
type silence struct {
	common
	set       SignalSilent
	required  [signal.Count]bool
	excusable [signal.Count]bool // may be "not available" while threshing is off

	excused [signal.Count]signal.Instant // until when silence was in order
	silent  [signal.Count]bool           // at the newest state
	since   [signal.Count]signal.Instant // when it began, for those that are silent
	leader  [signal.Count]signal.ID      // whose event speaks for it
	others  [signal.Count]int            // how many a leader speaks for, itself not counted
}

// together is how far apart signals of one sender may fall silent for one cause.
const together = time.Second

// usualGaps is how many of its usual intervals a slow sender may be quiet.
const usualGaps = 4

// importance orders signals for the event that speaks for several: what guards
// the machine first, then what the work is judged by.
var importance = [...]signal.ID{
	signal.RotorSpeed.ID, signal.EngineLoad.ID, signal.EngineSpeed.ID, signal.Coolant.ID, signal.GroundSpeed.ID,
	signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.CropLoss.ID, signal.Returns.ID, signal.GrainFlow.ID,
	signal.HeaderWorking.ID, signal.HeaderHeight.ID, signal.ThreshingEngaged.ID, signal.FanSpeed.ID, signal.Concave.ID,
	signal.UpperSieve.ID, signal.LowerSieve.ID, signal.BrokenGrain.ID, signal.Trash.ID, signal.FeederLoad.ID,
	signal.GrainMoisture.ID, signal.EngineTorque.ID, signal.FuelRate.ID, signal.Unloading.ID, signal.CutWidth.ID,
	signal.Latitude.ID, signal.Longitude.ID, signal.Heading.ID, signal.Altitude.ID, signal.Pitch.ID, signal.Roll.ID,
}

// threshingOnly are signals that may be "not available" while the threshing
// part is off.
var threshingOnly = [...]signal.ID{
	signal.RotorSpeed.ID, signal.FanSpeed.ID, signal.Concave.ID, signal.UpperSieve.ID, signal.LowerSieve.ID,
	signal.GrainFlow.ID, signal.GrainMoisture.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID,
	signal.CropLoss.ID, signal.Returns.ID, signal.BrokenGrain.ID, signal.Trash.ID, signal.FeederLoad.ID,
	signal.HeaderWorking.ID, signal.HeaderHeight.ID, signal.CutWidth.ID, signal.ThreshingEngaged.ID,
}

func newSilence(set SignalSilent) *silence {
	r := &silence{common: common{slots: perSignal(signalSilent)}, set: set}
	for _, name := range set.Required {
		if id, ok := signal.ByName(name); ok {
			r.required[id] = true
		}
	}
	for _, id := range threshingOnly {
		r.excusable[id] = true
	}
	r.reset()
	return r
}

func (r *silence) reset() {
	for id := range r.excused {
		r.excused[id], r.silent[id] = signal.Never, false
	}
}

func (r *silence) step(s *machine.State, d *desk) {
	if s.Engine.LastRunning == machine.NotKnown {
		r.cannot(signal.EngineSpeed.ID)
	} else {
		r.sees()
	}
	running := s.Engine.LastRunning == machine.Yes
	warm := running && s.Engine.Since != signal.Never && s.Now.Sub(s.Engine.Since) >= r.set.AfterKeyOn.get()
	busQuiet := s.Now.Sub(s.BusHeard) > together
	for id := range signal.ID(signal.Count) {
		r.listen(s, id, running, busQuiet)
	}
	if busQuiet {
		return // nothing new can be said of any signal; what is active stays
	}
	r.lead(s)
	for _, id := range importance {
		a := &r.slots[id]
		switch {
		case r.silent[id]:
			f := finding{verdict: met, ready: warm && r.leader[id] == id && s.Health[id].Erring == signal.Never,
				began: r.since[id], priority: Medium, value: s.Now.Sub(r.since[id]).Seconds(), unit: "s"}
			d.step(a, f, s, r)
		case a.phase != quiet:
			d.step(a, finding{verdict: clear}, s, r)
		}
	}
}

// listen decides whether one signal is silent.
func (r *silence) listen(s *machine.State, id signal.ID, running, busQuiet bool) {
	h := &s.Health[id]
	if !h.Ever && !r.required[id] {
		r.silent[id] = false
		return
	}
	limit := max(r.set.For.get(), usualGaps*h.Interval)
	// What says that threshing is engaged may come from a counter of its time,
	// which is not sent at all while it stands.
	sent := h.Heard != signal.Never && s.Now.Sub(h.Heard) <= limit || id == signal.ThreshingEngaged.ID
	off := r.excusable[id] && s.Threshing != machine.Yes && sent
	if !running || off || busQuiet {
		r.excused[id] = s.Now
	}
	since := max(h.Spoke, r.excused[id])
	if since == signal.Never {
		since = s.Engine.Since
	}
	r.since[id] = since
	r.silent[id] = running && since != signal.Never && s.Now.Sub(since) > limit
}

// lead finds for each silent signal the one that speaks for it: itself, or a
// more important one of the same sender that fell silent with it. One that
// was raised already keeps speaking.
func (r *silence) lead(s *machine.State) {
	for _, id := range importance {
		r.leader[id], r.others[id] = id, 0
	}
	for i, id := range importance {
		if !r.silent[id] || r.slots[id].phase != quiet {
			continue
		}
		for j, other := range importance {
			if other == id || !r.silent[other] || !r.sameCause(s, id, other) {
				continue
			}
			if r.slots[other].phase != quiet || j < i {
				r.leader[id] = other
				break
			}
		}
	}
	for _, id := range importance {
		if !r.silent[id] || r.leader[id] != id {
			continue
		}
		for _, other := range importance {
			if other != id && r.silentSoon(s, other) && r.sameCause(s, id, other) {
				r.others[id]++
			}
		}
	}
}

// silentSoon counts a signal in whose limit has not quite run out.
func (r *silence) silentSoon(s *machine.State, id signal.ID) bool {
	return r.silent[id] || s.Health[id].Ever && s.Now.Sub(r.since[id]) >= r.set.For.get()-together
}

func (r *silence) sameCause(s *machine.State, a, b signal.ID) bool {
	if !s.Health[a].Ever || !s.Health[b].Ever {
		return false
	}
	from, other := s.Signals.Get(a).From, s.Signals.Get(b).From
	apart := r.since[a].Sub(r.since[b])
	return from.Interface == other.Interface && from.Address == other.Address && apart <= together && apart >= -together
}

func (r *silence) tell(e *Event, a *alarm, s *machine.State) {
	id, _ := signal.ByName(a.subject)
	reading := s.Signals.Get(id)
	e.Peak.Name = "silence_s"
	e.Evidence = []Fact{{Name: "silence_s", Value: round1(e.Peak.Value), Unit: "s"}}
	if reading.Quality != signal.Missing {
		e.Evidence = append(e.Evidence, Fact{Name: "source_address", Value: float64(reading.From.Address)})
	}
	words := capital(id.Info().Words)
	others := r.others[id]
	if others > 0 {
		e.Evidence = append(e.Evidence, Fact{Name: "signals_silent", Value: float64(others + 1)})
	}
	e.Text = fmt.Sprintf("%s silent for %.0f s: check sensor", words, e.Peak.Value)
	if others > 0 {
		e.Text = fmt.Sprintf("%s and %d more silent: check plug", words, others)
	}
}
