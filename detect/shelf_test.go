package detect

import (
	"slices"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"

	"pgregory.net/rapid"
)

// heat is a machine whose coolant is too hot, and whose fan signal is faulty: an
// urgent alarm and a medium one.
func heat(t *testing.T) *storm {
	s := working(t)
	for range 300 {
		feedWork(s, 0)
		s.machine.Apply(signal.Coolant.ID, signal.Reading[float64]{Value: 112, At: s.now, Heard: s.now, Quality: signal.Good})
		s.machine.Apply(signal.FanSpeed.ID, signal.Reading[float64]{At: s.now, Heard: s.now, Quality: signal.SensorError})
		s.step()
	}
	return s
}

func TestAcknowledge(t *testing.T) {
	s := heat(t)
	if _, ok := s.rules.Acknowledge("engine-hot", "", s.now); !ok {
		t.Fatalf("there is nothing to acknowledge: %v", s.log)
	}
	for _, e := range s.rules.Active() {
		if want := e.Kind == "engine-hot"; e.Acknowledged != want {
			t.Errorf("%s: acknowledged %v", e.Kind, e.Acknowledged)
		}
	}
	if events, ok := s.rules.Acknowledge("engine-hot", "", s.now); ok || len(events) > 0 {
		t.Error("it was acknowledged twice")
	}
	for _, c := range []struct{ kind, subject string }{{"engine-cold", ""}, {"engine-hot", "coolant_c"}, {"feed-drop", ""}} {
		if _, ok := s.rules.Acknowledge(c.kind, c.subject, s.now); ok {
			t.Errorf("%v was acknowledged", c)
		}
	}
}

// Who knows of something does not know that it has become urgent.
func TestWhatBecomesMoreUrgentCallsAgain(t *testing.T) {
	d, a := &desk{}, newAlarm(feedDrop, "", "")
	a.event.Priority, a.event.Acknowledged = Low, true
	d.update(&a, finding{priority: Low})
	if !a.event.Acknowledged {
		t.Error("it calls again though nothing has changed")
	}
	d.update(&a, finding{priority: Medium})
	if len(d.out) != 1 || d.out[0].Acknowledged || d.out[0].Phase != Changed || d.out[0].Priority != Medium {
		t.Errorf("%+v", d.out)
	}
}

func TestShelve(t *testing.T) {
	s := heat(t)
	if _, ok := s.rules.Shelve("engine-hot", "", s.now.Add(time.Minute)); ok {
		t.Error("an urgent alarm was shelved")
	}
	until := s.now.Add(10 * time.Minute)
	events, ok := s.rules.Shelve("signal-faulty", "fan_speed_rpm", until)
	if !ok || len(events) != 1 || events[0].Phase != Ended || events[0].Ended != s.now {
		t.Fatalf("shelved %v: %v", ok, events)
	}
	if list := s.rules.Shelved(); len(list) != 1 || list[0] != (Shelved{"signal-faulty", "fan_speed_rpm", until}) {
		t.Errorf("on the shelf: %v", list)
	}
	before := len(s.log)
	for s.now < until.Add(2*time.Second) {
		feedWork(s, 0)
		s.machine.Apply(signal.FanSpeed.ID, signal.Reading[float64]{At: s.now, Heard: s.now, Quality: signal.SensorError})
		s.step()
	}
	var raised []Event
	for _, e := range s.log[before:] {
		if e.Phase == Raised && e.Kind == "signal-faulty" {
			raised = append(raised, e)
		}
	}
	if len(raised) != 1 || raised[0].Raised < until || raised[0].Began >= until {
		t.Errorf("what still stands is raised once more when it comes from the shelf: %v", raised)
	}
	// At most an hour; and back at any time.
	s.rules.Shelve("signal-faulty", "fan_speed_rpm", s.now.Add(20*time.Hour))
	if list := s.rules.Shelved(); len(list) != 1 || list[0].Until != s.now.Add(longestShelf) {
		t.Errorf("on the shelf: %v", list)
	}
	if _, ok := s.rules.Shelve("signal-faulty", "fan_speed_rpm", s.now); !ok || len(s.rules.Shelved()) != 0 {
		t.Error("it was not taken from the shelf")
	}
}

// Whatever a broken bus says and an operator does: an event begins once and ends
// once, nothing is raised from the shelf, at most once a minute, and no low alarm
// in a flood.
func TestLifeOfAlarms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStorm()
		type key struct{ kind, subject string }
		active, last, shelf := map[key]bool{}, map[key]signal.Instant{}, map[key]signal.Instant{}
		var raised []signal.Instant
		seen := 0
		check := func(events []Event) {
			for i := range events {
				e := &events[i]
				k := key{e.Kind, e.Subject}
				switch e.Phase {
				case Raised:
					if active[k] || s.now < shelf[k] {
						t.Fatalf("%v was raised at %s, active %v, on the shelf until %s", k, seconds(s.now), active[k], seconds(shelf[k]))
					}
					if at, ok := last[k]; ok && e.Raised.Sub(at) < time.Minute {
						t.Fatalf("%v was raised twice in a minute", k)
					}
					if n := len(raised); e.Priority == Low && n >= 10 && s.now.Sub(raised[n-10]) < 10*time.Minute {
						t.Fatalf("%v was raised in a flood", k)
					}
					active[k], last[k], raised = true, e.Raised, append(raised, e.Raised)
				case Ended:
					if !active[k] {
						t.Fatalf("%v ended twice", k)
					}
					active[k] = false
				case Changed:
					if !active[k] {
						t.Fatalf("%v changed while it was not active", k)
					}
				}
			}
		}
		for range rapid.IntRange(1, 12).Draw(t, "turns") {
			s.play(drawShifts(t)[:1])
			check(s.log[seen:])
			seen = len(s.log)
			list := s.rules.Active()
			if len(list) == 0 {
				continue
			}
			e := list[rapid.IntRange(0, len(list)-1).Draw(t, "which")]
			k := key{e.Kind, e.Subject}
			switch rapid.IntRange(0, 2).Draw(t, "does") {
			case 1:
				events, ok := s.rules.Acknowledge(e.Kind, e.Subject, s.now)
				if ok == e.Acknowledged || ok && (len(events) != 1 || events[0].Phase != Changed || !events[0].Acknowledged) {
					t.Fatalf("acknowledged %v: %v", ok, events)
				}
				check(events)
			case 2:
				until := s.now.Add(time.Duration(rapid.IntRange(1, 200).Draw(t, "seconds")) * time.Second)
				if events, ok := s.rules.Shelve(e.Kind, e.Subject, until); ok {
					check(events)
					shelf[k] = until
					if active[k] {
						t.Fatalf("%v is active on the shelf", k)
					}
				} else if e.Priority != High && kinds[kindOf(e.Kind)].Priority != High {
					t.Fatalf("%v was not shelved", k)
				}
			}
		}
	})
}

func kindOf(name string) int {
	for i := range kinds {
		if kinds[i].Name == name {
			return i
		}
	}
	return -1
}

// Two senders of one signal that differ for ten seconds are worth a word; not
// while the engine is starting.
func TestDisagreement(t *testing.T) {
	s := working(t)
	since := s.now
	var raised []Event
	for range 200 {
		feedWork(s, 0)
		s.now = s.now.Add(machine.Period)
		state := s.machine.Step(s.now)
		state.Disputes = []machine.Dispute{{Signal: signal.GroundSpeed.ID, Since: since, Largest: 4.2, Other: signal.Source{Address: 0x1C}}}
		for _, e := range s.rules.Step(state) {
			if e.Phase == Raised {
				raised = append(raised, e)
			}
		}
	}
	if len(raised) != 1 || raised[0].Kind != "signal-implausible" || raised[0].Subject != "ground_speed_kmh" || raised[0].Began != since {
		t.Fatalf("raised %v", raised)
	}
	if d := raised[0].Raised.Sub(since); d < 10*time.Second || d > 10200*time.Millisecond {
		t.Errorf("raised after %v", d)
	}
	checkEvent(t, &raised[0])
}

// More than a hundredth of error frames over ten seconds is a sick bus; a
// hundredth is not, nor is a burst as a plug goes in.
func TestBusErrors(t *testing.T) {
	for _, c := range []struct {
		name         string
		data, errors uint64 // a second
		seconds      int
		want         int
	}{
		{"sick", 700, 20, 60, 1},
		{"a hundredth", 990, 9, 60, 0},
		{"a quiet bus with two errors", 20, 1, 12, 0},
		{"a burst", 700, 100, 1, 1},
		{"errors only", 0, 50, 30, 1},
		{"a few as the plug goes in", 700, 15, 1, 0},
	} {
		s := newStorm()
		var count machine.BusCount
		raised := 0
		for second := range 200 {
			errs := uint64(0)
			if second >= 60 && second < 60+c.seconds {
				errs = c.errors
			}
			count.Data, count.Errors = count.Data+c.data, count.Errors+errs
			for range 10 {
				s.now = s.now.Add(machine.Period)
				state := s.machine.Step(s.now)
				state.Bus = count
				for _, e := range s.rules.Step(state) {
					if e.Kind == "bus-errors" && e.Phase == Raised {
						raised++
						checkEvent(t, &e)
					}
				}
			}
		}
		if raised != c.want {
			t.Errorf("%s: raised %d times, want %d", c.name, raised, c.want)
		}
		if len(s.rules.Active()) > 0 {
			t.Errorf("%s: it has no end", c.name)
		}
	}
}

// Counts that begin anew are no flood of errors.
func TestBusCountsThatBeginAnew(t *testing.T) {
	s := newStorm()
	var count machine.BusCount
	for second := range 120 {
		if second == 60 {
			count = machine.BusCount{}
		}
		count.Data, count.Errors = count.Data+700, count.Errors+3
		for range 10 {
			s.now = s.now.Add(machine.Period)
			state := s.machine.Step(s.now)
			state.Bus = count
			if events := s.rules.Step(state); len(events) > 0 {
				t.Fatalf("at %d s: %+v", second, events)
			}
		}
	}
}

// The program's own troubles have the same life: a delay, one event, an end.
func TestOwnHealth(t *testing.T) {
	o := NewOwn(DefaultSettings())
	var log []Event
	wrong := map[string]string{}
	run := func(now, to signal.Instant) signal.Instant {
		for ; now < to; now = now.Add(time.Second) {
			log = append(log, o.Step(now, machine.Cutting, func(kind string) (string, bool) { text, is := wrong[kind]; return text, is })...)
		}
		return now
	}
	now := run(0, signal.Instant(60*time.Second))
	wrong["not-recording"], wrong["broker-away"] = "not recording: the disk is full", "the broker cannot be reached"
	now = run(now, now.Add(60*time.Second))
	delete(wrong, "not-recording")
	delete(wrong, "broker-away")
	now = run(now, now.Add(60*time.Second))
	if len(log) != 2 || log[0].Phase != Raised || log[1].Phase != Ended || log[0].Number != OwnNumbers+1 {
		t.Fatalf("%v", log)
	}
	e := &log[0]
	if e.Kind != "not-recording" || e.Priority != Medium || e.Raised.Sub(e.Began) != 10*time.Second || e.Text != "Not recording: the disk is full" {
		t.Errorf("%+v", *e)
	}
	if got := log[1].Ended.Sub(e.Began); got != 60*time.Second {
		t.Errorf("it took %v", got)
	}
	// What is active when the program ends, ends with it.
	log = nil
	wrong["not-recording"] = "not recording: the disk is full"
	now = run(now, now.Add(5*time.Minute))
	for range 2 {
		log = append(log, o.Finish(now)...)
	}
	if len(log) != 2 || log[1].Phase != Ended || log[1].Ended != now || log[1].Number != log[0].Number {
		t.Errorf("%+v", log)
	}
}

// After a silence of hours event time goes on a minute behind the last frame: it was
// ahead while nobody could know. Troubles of that time keep their lengths, and new
// ones are told.
func TestOwnHealthWhenEventTimeWasAhead(t *testing.T) {
	o := NewOwn(DefaultSettings())
	var log []Event
	is := false
	run := func(now signal.Instant, long time.Duration) signal.Instant {
		for to := now.Add(long); now < to; now = now.Add(time.Second) {
			log = append(log, o.Step(now, machine.Unknown, func(kind string) (string, bool) {
				return "not recording: the disk is full", is && kind == "not-recording"
			})...)
		}
		return now
	}
	run(0, 3*time.Hour)
	is = true
	run(signal.Instant(3*time.Hour), 60*time.Second)
	now := run(signal.Instant(61*time.Second), 30*time.Second)
	is = false
	now = run(now, 120*time.Second)
	is = true
	run(now, 30*time.Second)
	var phases []Phase
	for _, e := range log {
		phases = append(phases, e.Phase)
	}
	if !slices.Equal(phases, []Phase{Raised, Changed, Ended, Raised}) {
		t.Fatalf("%v", phases)
	}
	e := &log[2]
	if got := e.Ended.Sub(e.Began); got < 89*time.Second || got > 91*time.Second {
		t.Errorf("it took %v", got)
	}
	if e.Raised.Sub(e.Began) != 10*time.Second || e.Ended != signal.Instant(91*time.Second) || log[1].Began != e.Began {
		t.Errorf("began %v, raised %v, ended %v", e.Began.Seconds(), e.Raised.Seconds(), e.Ended.Seconds())
	}
}
