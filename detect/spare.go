package detect

import (
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// spare: the machine could take more crop. Whether losses and grain are fine is
// for the rules that stand before it: what they raise explains this away. Where
// the owner's own limit of ground speed is reached there is nothing to give.
type spare struct {
	common
	set   SpareCapacity
	limit *float64 // of ground speed, or nil

	full    float64 // smoothed fullness
	load    float64 // smoothed engine load, 0 where it is not known
	has     bool
	low     dwell
	empty   dwell // the same, whether or not something explains it
	entered signal.Instant
}

const (
	fullShare   = 0.003 // a step: 33 s
	spareBridge = 8 * sec
	// spareLoad: an engine that gives this much of its power is where it should
	// be, 75 to 85 % (common practice, no source), whatever the feed.
	spareLoad = 78
	// The crop in a comfortably full machine takes cropLoad of the engine, which
	// then gives usefulLoad: means over make-believe machines and crops.
	cropLoad   = 48.0
	usefulLoad = 90.0
	// moreLost are the levels that faster work would raise still more. Broken
	// grain is not one of them: a rotor that is not full breaks more.
	moreLost = 1<<separationLossHigh | 1<<cleaningLossHigh | 1<<cropLossHigh | 1<<returnsHigh | 1<<trashHigh
	// heldBackFor is how long the machine is empty before a limit holds it back.
	heldBackFor = 60 * sec
	// atLimit is how near to a limit counts as at it, as a share of it.
	atLimit = 0.02
)

func newSpare(set SpareCapacity, own machine.Settings) *spare {
	r := &spare{common: one(spareCapacity, "fullness_pct"), set: set, limit: own.Limits[signal.GroundSpeed.ID.String()].Max}
	r.slots[0].lower = true
	r.reset()
	return r
}

func (r *spare) reset() { r.low, r.empty, r.has, r.entered = dwell{}, dwell{}, false, signal.Never }

func (r *spare) step(s *machine.State, d *desk) {
	f := r.judge(s, d)
	if d.isStuck(signal.EngineLoad.ID) && f.verdict != clear {
		f = r.cannot(signal.EngineLoad.ID)
	}
	d.lowFullness = r.empty.lasts(s.Now, heldBackFor)
	d.fullnessUnknown = f.verdict == blind
	d.step(&r.slots[0], f, s, r)
}

func (r *spare) judge(s *machine.State, d *desk) finding {
	switch {
	case s.Activity == machine.Unknown:
		return r.cannot(signal.EngineLoad.ID)
	case headerUnsure(s):
		r.reset() // without it a headland looks like an empty machine
		return r.cannot(signal.HeaderWorking.ID)
	case s.Activity != machine.Cutting || s.Now.Sub(s.InCrop) < settle:
		r.reset()
		r.sees()
		return finding{verdict: clear}
	case !s.Feed.FullnessKnown:
		r.low.step(s.Now, false, memory)
		r.empty.step(s.Now, false, memory)
		return r.cannot(signal.EngineLoad.ID)
	}
	r.sees()
	if r.entered != s.InCrop {
		r.reset()
		r.entered = s.InCrop
	}
	full := fullHere(s)
	if !r.has {
		r.full, r.has = full, true
	}
	r.full += fullShare * (full - r.full)
	if load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now); !ok {
		r.load = 0
	} else {
		r.load += max(fullShare, spareShare(r.load)) * (float64(load) - r.load)
	}
	worse := d.levelUp&moreLost != 0
	strained := r.load >= spareLoad || worse
	held := r.limit != nil && s.Speed.Known && float64(s.Speed.Value) >= *r.limit*(1-atLimit)
	low := r.full < float64(r.set.Below) && !strained && !held
	back := float64(r.set.Below) + kinds[spareCapacity].Margin
	if r.low.held && r.full < (float64(r.set.Below)+back)/2 && !strained && !held {
		low = true // hovers about the limit
	}
	r.low.step(s.Now, low, spareBridge)
	r.empty.step(s.Now, r.full < float64(r.set.Below), spareBridge)
	f := finding{verdict: clear, priority: Low, value: r.full, unit: "%"}
	switch {
	case r.low.held && low:
		f.verdict, f.began, f.ready = met, r.low.since, r.full < float64(r.set.Below) && r.low.lasts(s.Now, r.set.For.get())
	case r.slots[0].phase != quiet && !held && !worse && r.full < back:
		f.verdict = met
	}
	return f
}

// fullHere is how full the machine is on the ground of now: the mean of its
// fullness, which knows nothing of hills, and of what the crop takes of the
// power that the hill leaves for it.
func fullHere(s *machine.State) float64 {
	full := float64(s.Feed.Fullness)
	load, ok := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if !ok {
		return full
	}
	crop := cropLoad / 100 * full
	left := usefulLoad - (float64(load) - crop)
	return (full + 100*min(crop/max(left, 1), 1.5)) / 2
}

// spareShare lets a mean that has no value yet begin at once.
func spareShare(mean float64) float64 {
	if mean == 0 {
		return 1
	}
	return 0
}

func (r *spare) tell(e *Event, _ *alarm, s *machine.State) {
	e.Evidence = facts(s, signal.GroundSpeed.ID, signal.EngineLoad.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID)
	e.Evidence = append(e.Evidence, Fact{Name: "fullness_pct", Value: round1(e.Peak.Value), Unit: "%"})
	e.Text = fmt.Sprintf("Machine only %.0f %% full: could go faster", e.Peak.Value)
}
