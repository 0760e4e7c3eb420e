package detect

import (
	"strings"

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
