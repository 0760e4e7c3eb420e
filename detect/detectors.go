package detect

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Facts are what rules need to know of the machine and its crop.
type Facts struct {
	Machine machine.Settings
	Crop    machine.Crop
}

// Detectors are the rules in the order of Kinds. They are meant for one
// goroutine.
type Detectors struct {
	rules []rule
	desk  desk
	now   signal.Instant // of the newest state
	// given are the targets of the settings, by kind; nil is none.
	given [kindCount]*float64
}

// rule is one kind of alarm.
type rule interface {
	teller
	// step judges a state and moves the rule's alarms on.
	step(s *machine.State, d *desk)
	// alarms are all that the rule can raise.
	alarms() []alarm
	// blindness is the input for want of which the rule cannot judge.
	blindness() (because signal.ID, isBlind bool)
	// reset forgets what belongs to a segment; its alarms have ended.
	reset()
}

// common is what all rules share.
type common struct {
	slots   []alarm
	isBlind bool
	because signal.ID
}

func (c *common) alarms() []alarm              { return c.slots }
func (c *common) blindness() (signal.ID, bool) { return c.because, c.isBlind }

// cannot makes the rule blind for want of an input.
func (c *common) cannot(input signal.ID) finding {
	c.isBlind, c.because = true, input
	return finding{verdict: blind}
}

// sees makes the rule see again.
func (c *common) sees() { c.isBlind = false }

// one is the common part of a rule that speaks of the machine.
func one(kind int, about string) common {
	return common{slots: []alarm{newAlarm(kind, "", about)}}
}

// New makes the rules that the settings enable.
func New(s Settings, facts Facts) *Detectors {
	d := &Detectors{}
	own := facts.Machine
	level := func(kind int, set LevelHigh, id signal.ID, varies, grows float64, remedy string) {
		d.given[kind] = set.Target
		d.add(set.Enabled, newLevel(kind, set, id, varies, grows, remedy))
	}
	// In the order of the table of kinds: causes before what they explain.
	d.add(s.BusErrors.Enabled, newBusTrouble(s.BusErrors))
	d.add(s.BusSilent.Enabled, newBusSilence(s.BusSilent))
	d.add(s.SignalFaulty.Enabled, newFaulty(s.SignalFaulty))
	d.add(s.SignalSilent.Enabled, newSilence(s.SignalSilent))
	d.add(s.SignalImplausible.Enabled, newImplausible(s.SignalImplausible))
	d.add(s.SignalStuck.Enabled, newStuck(s.SignalStuck))
	d.add(s.FaultCode.Enabled, newFaultCodes())
	d.add(s.EngineHot.Enabled, newHot(s.EngineHot))
	d.add(s.RotorSlowing.Enabled, newRotor(s.RotorSlowing))
	d.add(s.EngineOverload.Enabled, newOverload(s.EngineOverload))
	d.add(s.FeedDrop.Enabled, newFeedFall(s.FeedDrop, facts))
	d.add(s.FeedUneven.Enabled, newFeedBunches(s.FeedUneven, facts))
	level(separationLossHigh, s.SeparationLossHigh, signal.SeparationLoss.ID, 0.68, 2.5, "slow down")
	level(cleaningLossHigh, s.CleaningLossHigh, signal.CleaningLoss.ID, 0.68, 2.5, "check fan, sieves")
	level(cropLossHigh, s.CropLossHigh, signal.CropLoss.ID, 0.68, 2.5, "slow down")
	level(returnsHigh, s.ReturnsHigh, signal.Returns.ID, 0.4, 1.5, "look at returns")
	level(brokenGrainHigh, s.BrokenGrainHigh, signal.BrokenGrain.ID, 0.22, 0, "check rotor, concave")
	level(trashHigh, s.TrashHigh, signal.Trash.ID, 0.22, 0, "check fan, sieve")
	d.add(s.SpareCapacity.Enabled, newSpare(s.SpareCapacity, own))
	d.add(s.LimitHolding.Enabled, newLimits(s.LimitHolding, own))
	return d
}

func (d *Detectors) add(enabled bool, r rule) {
	if enabled {
		d.rules = append(d.rules, r)
	}
}

// Step judges a state. The events, if any, are in the order of the rules; the
// slice is valid until the next call.
func (d *Detectors) Step(s *machine.State) []Event {
	d.now = s.Now
	d.desk.begin(s.Now)
	for _, r := range d.rules {
		r.step(s, &d.desk)
	}
	return d.desk.out
}

// Reset ends all that is active, at the last instant of a segment, and forgets
// what belongs to the segment. What was raised less than a minute ago is not
// raised again at once.
func (d *Detectors) Reset(now signal.Instant) []Event {
	d.desk.out = d.desk.out[:0]
	d.each(func(a *alarm) {
		switch a.phase {
		case active:
			d.desk.end(a, now)
		case ending:
			d.desk.end(a, a.left)
		}
	})
	for _, r := range d.rules {
		r.reset()
	}
	return d.desk.out
}

// Finish tells at the end of a log how the active events stand: those whose
// condition has been left end, the others are reported once more as they are.
func (d *Detectors) Finish(now signal.Instant) []Event {
	d.desk.out = d.desk.out[:0]
	d.each(func(a *alarm) {
		switch a.phase {
		case active:
			a.event.Phase = Changed
			d.desk.out = append(d.desk.out, a.event)
		case ending:
			d.desk.end(a, a.left)
		}
	})
	return d.desk.out
}

// Active lists the events that are active, in the order of the rules, with
// their worst values so far.
func (d *Detectors) Active() []Event {
	var events []Event
	d.each(func(a *alarm) {
		if a.phase != quiet {
			events = append(events, a.event)
		}
	})
	return events
}

// BlindKind is a kind of alarm that cannot be judged at present.
type BlindKind struct {
	Kind    string
	Because signal.ID // the input that is missing
}

// Blind lists the kinds that cannot be judged at the newest state.
func (d *Detectors) Blind() []BlindKind {
	var all []BlindKind
	for _, r := range d.rules {
		if because, isBlind := r.blindness(); isBlind {
			all = append(all, BlindKind{Kind: kinds[r.alarms()[0].kind].Name, Because: because})
		}
	}
	return all
}

// Flooded tells whether low alarms are held back at present, and how many
// would have been raised at the newest state.
func (d *Detectors) Flooded() (on bool, held int) { return d.desk.flood.on, d.desk.flood.held }

func (d *Detectors) each(f func(*alarm)) {
	for _, r := range d.rules {
		all := r.alarms()
		for i := range all {
			f(&all[i])
		}
	}
}

// facts picks the values that an event rests on, in the order of the list of
// signals, leaving out what is not known.
func facts(s *machine.State, ids ...signal.ID) []Fact {
	list := make([]Fact, 0, len(ids))
	for _, id := range ids {
		if v, ok := s.Signals.Fresh(id, s.Now); ok {
			list = append(list, Fact{Name: id.Info().Name, Value: v, Unit: id.Info().Unit})
		}
	}
	return list
}
