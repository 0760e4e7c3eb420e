package core

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

// What people tell the program comes in between two steps, as values: the same
// frames and the same inputs at the same stamps give the same dialogue, live and
// in replay.

// Told is an input that has been taken.
type Told struct {
	At    signal.Instant // the step after which it was taken
	Input *publish.Input
}

// waiting is an input that has not been taken yet.
type waiting struct {
	stamp    int64
	fromHere bool // stamp counts from the first frame
	input    publish.Input
	done     func(publish.Reply, error) // may be nil
}

// Tell hands over an input with its stamp, on the clock of the frames' stamps.
// It is taken after the first step that is not before it, or after the last step
// of a segment that ends before there is one. Done is called then, if it is not
// nil: with a *problem.Problem, publish.ErrGone or no error.
func (c *Core) Tell(stamp int64, in publish.Input, done func(publish.Reply, error)) {
	c.wait(waiting{stamp: stamp, input: in, done: done})
}

func (c *Core) wait(w waiting) {
	at, _ := slices.BinarySearchFunc(c.waits, w, func(a, b waiting) int {
		return cmp.Or(cmp.Compare(a.stamp, b.stamp), -1) // behind those of the same stamp
	})
	c.waits = slices.Insert(c.waits, at, w)
}

// fixWaits dates what counts from the first frame, when that has come.
func (c *Core) fixWaits() {
	for i := range c.waits {
		if w := &c.waits[i]; w.fromHere {
			w.stamp, w.fromHere = w.stamp+c.FirstStamp(), false
		}
	}
	slices.SortStableFunc(c.waits, func(a, b waiting) int { return cmp.Compare(a.stamp, b.stamp) })
}

// Waiting is how many inputs have not been taken.
func (c *Core) Waiting() int { return len(c.waits) }

// TakeWaiting takes at once what waits. Only a live bus needs it: while that is
// silent there are no steps.
func (c *Core) TakeWaiting() {
	for len(c.waits) > 0 {
		c.takeFirst()
	}
}

// takeUntil takes what waits up to a stamp.
func (c *Core) takeUntil(stamp int64) {
	for len(c.waits) > 0 && c.waits[0].stamp <= stamp {
		c.takeFirst()
	}
}

func (c *Core) takeFirst() {
	w := c.waits[0]
	c.waits = append(c.waits[:0], c.waits[1:]...)
	reply, err := c.take(&w.input)
	if err == nil && c.out.Input != nil {
		c.out.Input(Told{At: c.now, Input: &w.input})
	}
	if w.done != nil {
		w.done(reply, err)
	}
}

// take does what an input asks.
func (c *Core) take(in *publish.Input) (publish.Reply, error) {
	if err := in.Validate(); err != nil {
		return publish.Reply{}, err
	}
	switch {
	case in.Acknowledge != nil:
		return publish.Reply{}, c.acknowledge(in.Acknowledge)
	case in.Answer != nil:
		return publish.Reply{}, c.answer(in.Answer)
	case in.Check != nil:
		return c.check(in.Check)
	default:
		return publish.Reply{}, c.setUp(in.Setup)
	}
}

func (c *Core) acknowledge(a *publish.Acknowledge) error {
	boot, number, _ := publish.ParseID('e', a.Event)
	if boot != c.Boot {
		return publish.ErrGone
	}
	for _, e := range c.detectors.Active() {
		if e.Number != number {
			continue
		}
		if e.Acknowledged {
			return nil // that was known
		}
		if events, ok := c.detectors.Acknowledge(e.Kind, e.Subject, c.now); ok {
			c.emit(events)
			return nil
		}
	}
	return publish.ErrGone
}

func (c *Core) answer(a *publish.Answer) error {
	boot, number, _ := publish.ParseID('p', a.Prompt)
	reply, _ := advise.ReplyNamed(a.Reply)
	if boot != c.Boot {
		return publish.ErrGone
	}
	notes := c.adviser.Answer(advise.Answer{Prompt: number, Reply: reply, To: a.To})
	if len(notes) == 0 {
		return publish.ErrGone
	}
	c.tell(notes)
	return nil
}

func (c *Core) check(k *publish.Check) (publish.Reply, error) {
	usual := publish.Usual{CutWidthM: float64(c.own.CutWidth), ThousandKernelG: c.crop.ThousandKernelG}
	check, counted, err := k.Advise(usual)
	if err != nil {
		return publish.Reply{}, err
	}
	reply := publish.Reply{Ground: counted}
	c.priced(k)
	notes := c.adviser.Check(check)
	for i := range notes {
		if notes[i].Kind == advise.CheckTold {
			reply.Text = notes[i].Taken.Text
		}
	}
	c.tell(notes)
	return reply, nil
}

// setUp takes a set-up; it must be valid.
func (c *Core) setUp(s *publish.Setup) error {
	to := advise.Setup{Header: s.Header, SeatAdjustable: s.SeatAdjustable, Field: s.Field, TargetPct: s.Targets}
	if s.Limits != nil {
		to.Limits = s.MachineLimits()
	}
	own, crop := c.own, c.crop
	if s.Crop != nil {
		named, err := c.cfg.CropNamed(*s.Crop)
		if err != nil {
			return err
		}
		crop, to.Crop = named, &named
	}
	if s.Header != nil {
		own.Header = *s.Header
	}
	if to.Limits != nil {
		own.Limits = to.Limits
	}
	if s.SeatAdjustable != nil {
		own.SeatAdjustable = slices.Clone(s.SeatAdjustable)
	}
	otherCrop := crop.Name != c.crop.Name
	c.own, c.crop = own, crop
	facts := detect.Facts{Machine: own, Crop: crop}
	switch {
	case otherCrop:
		c.machine.SetUp(own, crop)
		c.emit(c.detectors.SetCrop(c.cfg.Alarm, facts))
	case s.Header != nil || to.Limits != nil:
		c.emit(c.detectors.SetMachine(c.cfg.Alarm, facts))
	}
	c.set = c.set.Over(*s)
	c.shifts.sum.SetUp(c.shiftFacts())
	if s.Field != nil {
		c.shifts.sum.FieldNamed(*s.Field)
	}
	c.tell(c.adviser.Setup(to))
	c.aim()
	return nil
}

// tell hands out what the adviser says.
func (c *Core) tell(notes []advise.Note) {
	aimed := false
	for i := range notes {
		aimed = aimed || notes[i].Kind == advise.TargetsSet
		c.shifts.sum.Note(&notes[i])
		if c.out.Note != nil {
			c.out.Note(&notes[i])
		}
	}
	if aimed {
		c.aim()
	}
}

// aim gives the targets of the adviser to the detectors.
func (c *Core) aim() {
	var targets []detect.Target
	for _, t := range c.adviser.Targets() {
		if t.Alarm != "" {
			targets = append(targets, detect.Target{Kind: t.Alarm, Pct: t.TargetPct})
		}
	}
	c.detectors.SetTargets(targets)
}

// Memory is what the adviser remembers, to be stored.
func (c *Core) Memory() advise.Memory { return c.adviser.Memory() }

// Remember takes up what an earlier run stored, and what was set up in it.
// Away is the time since by a clock that can be trusted, or negative. It comes
// before the first cut; later it is too late for what the adviser knew, and it tells
// so. What was set up in this run stays.
func (c *Core) Remember(m advise.Memory, set publish.Setup, away time.Duration) (ok bool) {
	ok = c.ShiftNumber() == 0
	if ok {
		c.adviser.Restore(m, c.now, away)
	}
	set = set.Over(c.set)
	if m.Field != "" && set.Field == nil {
		c.set.Field = &m.Field // it is where the machine is, whatever the configuration says now
		c.shifts.sum.FieldNamed(m.Field)
	}
	if in := (publish.Input{Setup: &set}); in.Validate() == nil {
		_ = c.setUp(&set) // a crop that is no more leaves what the configuration says
	}
	c.aim()
	return ok
}

// Set is what was set up since the configuration was read.
func (c *Core) Set() publish.Setup { return c.set }

// SetupNow is what is set at present, and what can be.
func (c *Core) SetupNow() publish.SetupNow {
	now := publish.SetupNow{
		Crop: c.crop.Name, Header: c.own.Header, SeatAdjustable: slices.Clone(c.own.SeatAdjustable),
		Limits: map[string]publish.Limit{}, Targets: []publish.TargetNow{},
		Crops: c.cfg.Crops(), Headers: machine.HeaderKinds(), Levers: machine.Levers(),
		CutWidthM: float64(c.own.CutWidth), ThousandKernelG: c.crop.ThousandKernelG, Units: string(c.cfg.Units.System),
	}
	if c.set.Field != nil {
		now.Field = *c.set.Field
	}
	for _, name := range slices.Sorted(maps.Keys(c.own.Limits)) {
		now.Limits[name] = publish.Limit(c.own.Limits[name])
	}
	for _, t := range c.adviser.Targets() {
		now.Targets = append(now.Targets, publish.TargetNow{Symptom: t.Symptom, TargetPct: t.TargetPct, Basis: t.Basis, Stale: t.Stale})
	}
	return now
}

// ownTargets are the targets that the owner has set, by symptom.
func ownTargets(s detect.Settings) map[string]float64 {
	targets := map[string]float64{}
	for _, one := range []struct {
		symptom string
		set     detect.LevelHigh
	}{
		{knowledge.SeparationLoss, s.SeparationLossHigh}, {knowledge.CleaningLoss, s.CleaningLossHigh},
		{knowledge.CropLoss, s.CropLossHigh}, {knowledge.Returns, s.ReturnsHigh},
		{knowledge.BrokenGrain, s.BrokenGrainHigh}, {knowledge.Trash, s.TrashHigh},
	} {
		if one.set.Target != nil {
			targets[one.symptom] = *one.set.Target
		}
	}
	return targets
}
