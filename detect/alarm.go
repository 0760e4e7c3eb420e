package detect

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// verdict is what a rule finds at one state.
type verdict uint8

const (
	blind verdict = iota // an input is missing: the condition cannot be judged
	clear
	met
)

// finding is a rule's whole answer at one state.
type finding struct {
	verdict  verdict
	ready    bool           // met for as long as the on-delay asks: may be raised
	began    signal.Instant // when it was first met
	priority Priority
	value    float64 // of the alarm's signal
	unit     string
}

// alarm is the life of one kind and subject.
//
//	quiet --met and ready--> active --clear--> ending --off-delay--> quiet
//	                                <--met or blind--
//
// An active alarm ends only on evidence: no data is not good news.
type alarm struct {
	kind    int
	subject string
	about   string // the signal it is about, or empty

	phase  alarmPhase
	left   signal.Instant // when the condition was last left, while ending
	raised signal.Instant // when it was last raised, or Never
	shelf  signal.Instant // until when it is shelved, or Never
	lower  bool           // whether the worst value is the lowest
	event  Event          // of the active alarm
}

type alarmPhase uint8

const (
	quiet alarmPhase = iota
	active
	ending
)

// repeatAfter: at most one raise a minute of a kind and what it speaks of.
const repeatAfter = time.Minute

// teller puts an event that is being raised into words and figures.
type teller interface {
	tell(e *Event, a *alarm, s *machine.State)
}

// desk is where all alarms are raised: it numbers events, knows which kinds
// are active, and holds back low ones in a flood.
type desk struct {
	// lowFullness is set while the machine could take more crop, whether or
	// not that is worth an alarm.
	lowFullness bool
	// fullnessUnknown is set while nobody can tell.
	fullnessUnknown bool
	// levelUp has a bit for each level that is more than usual, whether or
	// not that is worth an alarm: such a machine has nothing to spare.
	levelUp uint64
	// stuck has a bit for each signal that is known to be stuck: what rests on
	// it cannot be judged.
	stuck uint64

	out    []Event
	number uint64
	active [kindCount]int
	ended  [kindCount]signal.Instant // when a kind last had nothing active any more, 0 is never
	flood  flood
}

// begin begins a step.
func (d *desk) begin(now signal.Instant) {
	d.out = d.out[:0]
	d.flood.held = 0
	d.flood.step(now)
}

// step moves an alarm on by one finding.
func (d *desk) step(a *alarm, f finding, s *machine.State, t teller) {
	switch a.phase {
	case quiet:
		if f.verdict == met && f.ready && d.mayRaise(a, f.priority, s.Now) {
			d.raise(a, f, s, t)
		}
	case active, ending:
		switch f.verdict {
		case blind:
			a.phase = active
		case met:
			a.phase = active
			d.update(a, f)
		case clear:
			if a.phase == active {
				a.phase, a.left = ending, s.Now
			}
			if s.Now.Sub(a.left) >= kinds[a.kind].Off {
				d.end(a, a.left)
			}
		}
	}
}

func (d *desk) mayRaise(a *alarm, p Priority, now signal.Instant) bool {
	return now.Sub(a.raised) >= repeatAfter && now >= a.shelf && !d.explained(a.kind, now) && d.flood.lets(p, now)
}

// isStuck tells whether a signal is known to be stuck.
func (d *desk) isStuck(id signal.ID) bool { return d.stuck&(1<<id) != 0 }

// lingers is how long a cause that has ended still explains: an engine needs a
// while to come up again after the rotor.
const lingers = 5 * time.Second

// explained tells whether a cause of this kind is active, or just was.
func (d *desk) explained(kind int, now signal.Instant) bool {
	mask := explains(kind)
	for i, n := range d.active {
		if mask&(1<<i) == 0 {
			continue
		}
		if n > 0 || d.ended[i] != 0 && now.Sub(d.ended[i]) < lingers {
			return true
		}
	}
	return false
}

func (d *desk) raise(a *alarm, f finding, s *machine.State, t teller) {
	d.number++
	a.phase, a.raised = active, s.Now
	a.event = Event{
		Number:   d.number,
		Kind:     kinds[a.kind].Name,
		Subject:  a.subject,
		Phase:    Raised,
		Priority: f.priority,
		Activity: s.Activity,
		Began:    f.began,
		Raised:   s.Now,
		Signal:   a.about,
		Peak:     Fact{Name: a.about, Value: f.value, Unit: f.unit},
	}
	lat, latOK := signal.Latitude.Fresh(&s.Signals, s.Now)
	lon, lonOK := signal.Longitude.Fresh(&s.Signals, s.Now)
	if latOK && lonOK {
		a.event.Latitude, a.event.Longitude, a.event.Located = lat, lon, true
	}
	t.tell(&a.event, a, s)
	d.active[a.kind]++
	d.flood.note(s.Now)
	d.out = append(d.out, a.event)
}

// update keeps the worst value and tells of a priority that rises.
func (d *desk) update(a *alarm, f finding) {
	if worse := f.value > a.event.Peak.Value; worse != a.lower && f.value != a.event.Peak.Value {
		a.event.Peak.Value = f.value
	}
	if f.priority > a.event.Priority {
		// The operator knows of something less urgent.
		a.event.Acknowledged = false
		a.event.Priority, a.event.Phase = f.priority, Changed
		d.out = append(d.out, a.event)
	}
}

func (d *desk) end(a *alarm, at signal.Instant) {
	a.phase = quiet
	a.event.Phase, a.event.Ended = Ended, at
	d.active[a.kind]--
	d.ended[a.kind] = at
	d.out = append(d.out, a.event)
	a.event = Event{}
}

// flood holds back low alarms when alarms come thick: from ten in ten minutes
// until fewer than five in ten minutes (ISA-18.2). What lasts longer than the
// flood is raised after it.
type flood struct {
	raised [10]signal.Instant // ring, 0 is never
	next   int
	count  int
	on     bool
	held   int // low alarms held back at the newest state
}

const (
	floodWindow = 10 * time.Minute
	floodEnds   = 5
)

func (f *flood) note(now signal.Instant) {
	f.raised[f.next] = now
	f.next = (f.next + 1) % len(f.raised)
	f.count = min(f.count+1, len(f.raised))
}

// step judges anew whether there is a flood.
func (f *flood) step(now signal.Instant) {
	recent := 0
	for _, at := range f.raised[:f.count] {
		if now.Sub(at) < floodWindow {
			recent++
		}
	}
	f.on = recent == len(f.raised) || f.on && recent >= floodEnds
}

func (f *flood) lets(p Priority, now signal.Instant) bool {
	if p > Low {
		return true
	}
	f.step(now)
	if f.on {
		f.held++
	}
	return !f.on
}

// dwell is since when a condition has held, gaps of up to bridge left out.
type dwell struct {
	since, last signal.Instant
	held        bool
}

func (d *dwell) step(now signal.Instant, met bool, bridge time.Duration) {
	switch {
	case met && !d.held:
		d.since, d.last, d.held = now, now, true
	case met:
		d.last = now
	case d.held && now.Sub(d.last) > bridge:
		d.held = false
	}
}

// lasts tells whether it has held for a time, and holds now.
func (d *dwell) lasts(now signal.Instant, long time.Duration) bool {
	return d.held && d.last == now && now.Sub(d.since) >= long
}
