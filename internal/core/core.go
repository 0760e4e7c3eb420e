// Package core is the part of chaffinch that thinks: it takes frames in order
// and does decode, fold and detect on event time, in one goroutine and without
// locks. The same frames and the same configuration give the same events,
// whether a log is replayed or a bus is heard. What people tell the program
// comes in as values between two steps (told.go), so that the dialogue is the
// same as well.
//
// Start with Frame.
package core

import (
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/publish"
	"chaffinch/store/history"
)

// Outputs receive what the core finds, on the core's goroutine. What they are
// handed is valid until they return.
type Outputs struct {
	// Event is called at each phase of each event, in the order of event time.
	Event func(*detect.Event)
	// Reading is called for each reading that was heard. May be nil, as may all.
	Reading func(signal.ID, *signal.Reading[float64])
	// Offered is called for each reading of each source of a signal, also of
	// those that are not in use.
	Offered func(signal.ID, *signal.Reading[float64])
	// Message is called for each message that came in several frames.
	Message func(*j1939.Transfer)
	// Pool is called for what was not known yet of device descriptor pools.
	Pool func(PoolSeen)
	// Note is called for each thing that the adviser tells, behind the events of
	// the step.
	Note func(*advise.Note)
	// Input is called for each input that was taken, behind what came of it.
	Input func(Told)
	// State is called once a step, ten times a second of event time.
	State func(*machine.State)
	// Shift is called when a shift begins, goes on (once a minute) and ends.
	Shift func(ShiftTold)
	// Row is called at each full second of event time, behind State and Shift.
	Row func(*history.Row)
}

// Core is the whole path from a frame to an event and to advice.
type Core struct {
	// Boot is the number of this run in the names of events and prompts.
	Boot uint64

	cfg       *config.Config
	own       machine.Settings // as set at present
	crop      machine.Crop
	set       publish.Setup // since the configuration was read
	out       Outputs
	timeline  canbus.Timeline
	decoder   *decode.Decoder
	transport *j1939.Reassembler
	addresses j1939.Addresses
	machine   *machine.Machine
	detectors *detect.Detectors
	adviser   *advise.Adviser
	shifts    shifts
	events    []detect.Event // that the adviser has not heard yet
	waits     []waiting      // in the order of stamps

	started  bool
	segments int            // begun so far
	segment  segment        // the present one
	past     []segment      // the newest of those before it, oldest first
	quiet    int64          // stamp up to which a live bus is known to have been silent; 0 is not live
	last     signal.Instant // the newest frame
	next     signal.Instant // the next step
	now      signal.Instant // the newest step
	faults   []machine.Fault
	engine   decode.Engine
	pools    []knownPool // of earlier runs and of this one, oldest first
	disputes []machine.Dispute
	count    machine.BusCount
}

// New makes a core for a configuration. A configuration that was loaded
// without mistakes gives no error.
func New(cfg *config.Config, out Outputs) (*Core, error) {
	decoder, err := decode.New(cfg.Decode())
	if err != nil {
		return nil, err
	}
	c := &Core{
		Boot:      1,
		cfg:       cfg,
		own:       cfg.Machine,
		crop:      cfg.Crop,
		out:       out,
		decoder:   decoder,
		transport: j1939.NewReassembler(),
		machine:   machine.New(cfg.Machine, cfg.Crop),
		detectors: detect.New(cfg.Alarm, detect.Facts{Machine: cfg.Machine, Crop: cfg.Crop}),
		adviser: advise.New(advise.Facts{
			Machine: cfg.Machine, Crop: cfg.Crop, Knowledge: cfg.Advice, TargetPct: ownTargets(cfg.Alarm),
			Units: cfg.Units.System,
		}),
	}
	c.shifts.sum = shift.New(cfg.Shift, c.shiftFacts())
	c.machine.SenderHeard = decoder.LastHeard
	decoder.Offered = out.Offered
	return c, nil
}

// Frame takes the next frame. Its Stamp decides when it was; At is set.
//
// Steps that are due before the frame come first, so that a step never sees a
// frame that is younger than it.
func (c *Core) Frame(f *canbus.Frame) {
	was := c.segment.offset
	switch c.timeline.Place(f) {
	case canbus.Follows:
		if !c.started {
			c.begin(f.At)
		}
		c.stepTo(f.At)
	case canbus.AfterSilence:
		c.stepTo(c.last.Add(canbus.LongestPause))
		c.takeUntil(f.Stamp)
		c.newSegment(f.At)
	case canbus.AfterClockStep:
		c.takeUntil(int64(c.last) + was)
		c.newSegment(f.At)
		c.silent(time.Duration(f.Stamp-int64(c.last)-was), f)
	}
	c.last = f.At
	if f.Is(canbus.ErrorFrame) {
		c.count.Errors++
	} else {
		c.count.Data++
	}
	switch f.Flags {
	case canbus.Extended:
	case 0: // 11 bits: no J1939, but perhaps the owner's map
		c.apply(c.decoder.Decode(f))
		return
	default:
		return // error frames, remote frames and CAN FD carry no data of ours
	}
	c.machine.Heard(f.At)
	for _, change := range c.addresses.Feed(f, f.At) {
		c.apply(c.decoder.Follow(change))
		c.claimed(change)
	}
	c.takeLabel(f)
	c.apply(c.decoder.Decode(f))
	if m, ok := c.transport.Feed(f, f.At); ok {
		c.addresses.Command(&m)
		if c.out.Message != nil {
			whole := m // only here may it go to the heap
			c.out.Message(&whole)
		}
		c.apply(c.decoder.DecodeMessage(m.PGN, m.Interface, m.Source, m.Destination, m.Payload, f.At))
		if m.PGN == j1939.ProcessData {
			c.takePool(&m)
			c.takeLongLabel(&m)
		}
	}
}

func (c *Core) apply(updates []decode.Update) {
	for i := range updates {
		c.machine.Apply(updates[i].ID, updates[i].Reading)
		if c.out.Reading != nil {
			c.out.Reading(updates[i].ID, &updates[i].Reading)
		}
	}
}

// Origin gives the event time of the first frame, a multiple of a second, so
// that a daemon's event time counts from its own start. To be called before
// the first frame.
func (c *Core) Origin(at signal.Instant) { c.timeline.Origin = at }

// Started tells whether a frame has been heard.
func (c *Core) Started() bool { return c.started }

// Quiet tells the core that every frame stamped up to stamp has been handed
// over, so that it can step on while the bus is silent. Only a live bus needs
// it. Beyond the longest pause the core sleeps until the next frame, but that a
// shift ends.
func (c *Core) Quiet(stamp int64) {
	if !c.started {
		return
	}
	c.quiet = stamp
	at := signal.Instant(stamp - c.segment.offset)
	awake := c.last.Add(canbus.LongestPause)
	c.stepTo(min(at, awake))
	if at <= awake {
		return
	}
	if over := c.shifts.sum.OverAt(at); over != nil && c.out.Shift != nil {
		c.out.Shift(ShiftTold{ShiftEnded, over})
	}
}

// Finish ends what is active, at the end of a log or of the program.
func (c *Core) Finish() {
	if c.started {
		c.takeUntil(c.Stamp(c.last))
		c.emit(c.detectors.Finish(c.lastStep()))
	}
}

// FirstStamp is the stamp of the first frame of all.
func (c *Core) FirstStamp() int64 { return c.timeline.First() }

func (c *Core) begin(at signal.Instant) {
	c.enter(segment{begun: at, offset: c.timeline.Stamp(0)})
	c.started = true
	c.segments++
	c.count = machine.BusCount{}
	c.next = ceil(at)
	if c.segments == 1 {
		c.fixWaits()
	}
}

func (c *Core) newSegment(at signal.Instant) {
	c.emit(c.detectors.Reset(c.lastStep()))
	c.tell(c.adviser.Reset(c.events))
	c.events = c.events[:0]
	c.shifts.sum.Break()
	c.machine.Reset()
	c.transport.Reset()
	c.decoder.Reset()
	c.begin(at)
	c.apply(c.decoder.Recall(at))
}

func (c *Core) stepTo(at signal.Instant) {
	for ; c.next <= at; c.next = c.next.Add(machine.Period) {
		c.step(c.next)
	}
}

func (c *Core) step(now signal.Instant) {
	c.now = now
	c.takeFaults(now)
	if now%signal.Instant(time.Second) == 0 {
		c.takeEngine()
	}
	s := c.machine.Step(now)
	c.takeDisputes(now)
	s.Disputes, s.Bus = c.disputes, c.count
	c.emit(c.detectors.Step(s))
	c.tell(c.adviser.Step(s, c.events))
	c.events = c.events[:0]
	if c.out.State != nil {
		c.out.State(s)
	}
	c.stepShift(s)
	c.takeUntil(c.Stamp(now))
}

// takeEngine hands on what the engine says of itself: its friction changes
// with its speed.
func (c *Core) takeEngine() {
	e := &c.engine
	if !c.decoder.ReadEngine(e) {
		return
	}
	facts := machine.EngineFacts{FrictionPct: e.FrictionPct, FrictionKnown: e.FrictionKnown}
	if e.ReferenceKnown {
		facts.ReferenceNm = e.ReferenceNm
	}
	for _, p := range e.Curve {
		facts.Curve[facts.Points] = machine.CurvePoint(p)
		facts.Points++
	}
	c.machine.Engine(facts)
}

func (c *Core) takeFaults(now signal.Instant) {
	c.faults = c.faults[:0]
	for _, code := range c.decoder.Faults(now) {
		c.faults = append(c.faults, machine.Fault{
			Source: code.Source, SPN: code.SPN, FMI: code.FMI, Count: code.Count,
			Lamp: machine.Lamp(code.Lamp), Since: code.Since,
		})
	}
	c.machine.Faults(c.faults)
}

// takeDisputes lists the signals of which two sources disagree.
func (c *Core) takeDisputes(now signal.Instant) {
	c.disputes = c.disputes[:0]
	for id := range signal.ID(signal.Count) {
		if d, ok := c.decoder.Disagreement(id, now); ok {
			c.disputes = append(c.disputes, machine.Dispute{Signal: id, Since: d.Since, Largest: d.Largest, Other: d.Other})
		}
	}
}

// BusClock is the newest calendar time that the bus told.
func (c *Core) BusClock() decode.Clock { return c.decoder.Clock() }

// RouteName names the way by which a reading came.
func (c *Core) RouteName(r signal.Route) string { return c.decoder.RouteName(r) }

// Name is the NAME that holds an address, if it has been claimed.
func (c *Core) Name(iface, address uint8) (j1939.Name, bool) {
	return c.addresses.Name(iface, address)
}

// SourceChanges appends the changes of source after the first seen ones, and
// returns how many there have been: pass that the next time.
func (c *Core) SourceChanges(into []decode.Change, seen uint64) ([]decode.Change, uint64) {
	return c.decoder.Changes(into, seen)
}

// SourceChangeCount is how often the source of a signal changed after the first.
func (c *Core) SourceChangeCount(id signal.ID) int { return c.decoder.ChangeCount(id) }

// Transport tells what became of the long messages.
func (c *Core) Transport() j1939.Stats { return c.transport.Stats() }

// Blind lists the alarms that cannot be judged at the newest state.
func (c *Core) Blind() []detect.BlindKind { return c.detectors.Blind() }

// emit hands out events. The adviser hears them at the next step.
func (c *Core) emit(events []detect.Event) {
	c.events = append(c.events, events...)
	for i := range events {
		c.shifts.sum.Event(&events[i])
	}
	if c.out.Event == nil {
		return
	}
	for i := range events {
		c.out.Event(&events[i])
	}
}

// Now is the event time of the output that is being called.
func (c *Core) Now() signal.Instant { return c.now }

// lastStep is the step before the next one.
func (c *Core) lastStep() signal.Instant { return c.next.Add(-machine.Period) }

// ceil is the first step at or after an instant.
func ceil(at signal.Instant) signal.Instant {
	p := signal.Instant(machine.Period)
	return (at + p - 1) / p * p
}

// StepsPerSecond is how many states there are in a second of event time.
const StepsPerSecond = int(time.Second / machine.Period)
