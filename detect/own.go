package detect

import (
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Own are the alarms about this program's own health: not recording, a clock
// that is not set, a broker that is away. They have the same life as the others,
// and a desk of their own: what is recorded of a bus gives the same events
// wherever it is replayed, whatever became of the network then.
type Own struct {
	desk  desk
	items [ownCount]ownItem
	state machine.State
}

type ownItem struct {
	alarm alarm
	set   OwnHealth
	wrong dwell
	text  string
}

// ownFirst is the first of the kinds that are about the program.
const (
	ownFirst = notRecording
	ownCount = kindCount - ownFirst
	// OwnNumbers is where the numbers of these events begin, above all that a
	// run gives to those of the machine.
	OwnNumbers = 1_000_000_000
)

// NewOwn makes them.
func NewOwn(s Settings) *Own {
	o := &Own{}
	o.desk.number = OwnNumbers
	for i, set := range [ownCount]OwnHealth{s.NotRecording, s.ClockUnsure, s.BrokerAway} {
		o.items[i] = ownItem{set: set, alarm: newAlarm(ownFirst+i, "", "")}
	}
	return o
}

// Step judges what is wrong at now: texts by the name of the kind. The slice is
// valid until the next call.
func (o *Own) Step(now signal.Instant, activity machine.Activity, wrong func(kind string) (text string, is bool)) []Event {
	back := o.state.Now.Sub(now)
	if back > nearlyNow {
		o.shift(back)
	}
	o.desk.begin(now)
	o.state.Now, o.state.Activity = now, activity
	for i := range o.items {
		it := &o.items[i]
		if !it.set.Enabled {
			continue
		}
		text, is := wrong(kinds[it.alarm.kind].Name)
		if is {
			it.text = text
		}
		if back > nearlyNow && it.alarm.phase != quiet {
			it.alarm.event.Phase = Changed // it has other instants now
			o.desk.out = append(o.desk.out, it.alarm.event)
		}
		it.wrong.step(now, is, 0)
		f := finding{verdict: clear, priority: kinds[it.alarm.kind].Priority, unit: "s"}
		if is {
			f.verdict, f.began, f.value = met, it.wrong.since, now.Sub(it.wrong.since).Seconds()
			f.ready = it.wrong.lasts(now, it.set.For.get())
		}
		o.desk.step(&it.alarm, f, &o.state, it)
	}
	return o.desk.out
}

// Acknowledge notes that the operator knows of an active alarm. It returns the change,
// if it is one, and whether there is such an alarm.
func (o *Own) Acknowledge(number uint64) (changed []Event, is bool) {
	for i := range o.items {
		a := &o.items[i].alarm
		if a.phase == quiet || a.event.Number != number {
			continue
		}
		if a.event.Acknowledged {
			return nil, true
		}
		a.event.Acknowledged, a.event.Phase = true, Changed
		return []Event{a.event}, true
	}
	return nil, false
}

// nearlyNow is by how much event time may be set when the first frame is heard.
const nearlyNow = time.Second

// shift moves all instants back. While the bus is silent for hours event time runs
// ahead; the next frame puts it a minute behind the last one. Lengths stay, and so do
// dates.
func (o *Own) shift(back time.Duration) {
	move := func(at *signal.Instant) {
		if *at != signal.Never {
			*at = at.Add(-back)
		}
	}
	for i := range o.items {
		it := &o.items[i]
		for _, at := range []*signal.Instant{&it.wrong.since, &it.wrong.last, &it.alarm.left, &it.alarm.raised, &it.alarm.event.Began, &it.alarm.event.Raised} {
			move(at)
		}
	}
	for i := range o.desk.ended {
		if o.desk.ended[i] != 0 { // never
			move(&o.desk.ended[i])
		}
	}
	for i := range o.desk.flood.raised {
		move(&o.desk.flood.raised[i])
	}
}

// Finish ends what is active: the program ends.
func (o *Own) Finish(now signal.Instant) []Event {
	o.desk.out = o.desk.out[:0]
	for i := range o.items {
		if a := &o.items[i].alarm; a.phase != quiet {
			o.desk.end(a, now)
		}
	}
	return o.desk.out
}

func (it *ownItem) tell(e *Event, _ *alarm, _ *machine.State) {
	e.Peak.Name = "wrong_s"
	e.Evidence = []Fact{{Name: "wrong_s", Value: round1(e.Peak.Value), Unit: "s"}}
	words := strings.Fields(it.text)
	e.Text = capital(strings.Join(words[:min(len(words), mostWords)], " "))
}

// mostWords of a text for the operator; an error may have more.
const mostWords = 12
