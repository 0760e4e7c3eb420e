package core

import (
	"bytes"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

// shifted runs a quiet quarter of an hour whose stamps jump once, in the
// middle, and returns what was raised.
func shifted(t *testing.T, jump time.Duration, out func(*Core, *detect.Event)) (segments int) {
	t.Helper()
	s, frames, _ := quietDay(t, 0.25)
	var c *Core
	c, err := New(pretend(t, s), Outputs{Event: func(e *detect.Event) { out(c, e) }})
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range frames {
		if i > len(frames)/2 {
			f.Stamp += int64(jump)
		}
		c.Frame(&f)
	}
	c.Finish()
	return c.segments
}

// Promise: a log whose clock steps gives no nonsense.
func TestAClockThatStepsRaisesNothing(t *testing.T) {
	for _, jump := range []time.Duration{-14 * 24 * time.Hour, 14 * 24 * time.Hour, -56 * 365 * 24 * time.Hour, -time.Second, 2 * time.Hour} {
		n := shifted(t, jump, func(c *Core, e *detect.Event) {
			t.Errorf("step of %v: %s at %v: %s", jump, e.Kind, time.Unix(0, c.Stamp(e.Raised)).UTC(), e.Text)
		})
		if n != 2 {
			t.Errorf("step of %v: %d segments, want 2", jump, n)
		}
	}
}

// A silence with the engine running is an alarm, however long it lasts.
func TestABusThatDiesWithTheEngineRunningIsAnAlarm(t *testing.T) {
	for _, pause := range []time.Duration{30 * time.Second, 10 * time.Minute} {
		raised := 0
		shifted(t, pause, func(c *Core, e *detect.Event) {
			if e.Phase != detect.Raised {
				return
			}
			raised++
			if e.Kind != "bus-silent" || e.Raised.Sub(e.Began) < 2*time.Second || e.Raised.Sub(e.Began) > 2500*time.Millisecond {
				t.Errorf("pause of %v: %s, raised %v after it began", pause, e.Kind, e.Raised.Sub(e.Began))
			}
		})
		if raised != 1 {
			t.Errorf("pause of %v: %d alarms, want 1", pause, raised)
		}
	}
}

// A live bus tells the core that it is silent; a log cannot. Both must come to
// the same events.
func TestALiveBusGivesTheEventsOfItsRecording(t *testing.T) {
	s := virtual.Demo()
	s.Start = "2026-07-01T10:00:00Z"
	var frames []canbus.Frame
	for f := range virtual.New(s, 1).Frames() {
		frames = append(frames, *f)
	}
	// A quarter of the day is missing, and twice a few seconds are.
	frames = append(frames[:len(frames)/3:len(frames)/3], frames[len(frames)/3+len(frames)/4:]...)
	frames = append(frames[:len(frames)/2:len(frames)/2], frames[len(frames)/2+3000:]...)

	events := func(live bool) string {
		var text bytes.Buffer
		var c *Core
		lines := NewLines(&text, func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true })
		c, err := New(pretend(t, s), Outputs{Event: lines.Event})
		if err != nil {
			t.Fatal(err)
		}
		for i := range frames {
			f := frames[i]
			if live && i > 0 {
				for quiet := frames[i-1].Stamp + int64(50*time.Millisecond); quiet < f.Stamp; quiet += int64(50 * time.Millisecond) {
					c.Quiet(quiet)
				}
			}
			c.Frame(&f)
		}
		c.Finish()
		if err := lines.Close(); err != nil {
			t.Fatal(err)
		}
		return text.String()
	}
	recorded, live := events(false), events(true)
	if recorded != live || recorded == "" {
		t.Errorf("recorded:\n%slive:\n%s", recorded, live)
	}
}

// However long a live bus is silent, event time never runs backwards.
func TestEventTimeNeverRunsBackwards(t *testing.T) {
	s, frames, _ := quietDay(t, 0.1)
	for _, pause := range []time.Duration{30 * time.Second, 10 * time.Minute, 2 * time.Hour, 300 * time.Hour} {
		last := signal.Never
		c, err := New(pretend(t, s), Outputs{State: func(st *machine.State) {
			if st.Now <= last {
				t.Fatalf("pause of %v: a step at %v after one at %v", pause, st.Now.Seconds(), last.Seconds())
			}
			last = st.Now
		}})
		if err != nil {
			t.Fatal(err)
		}
		half := len(frames) / 2
		for i, f := range frames {
			if i == half {
				for quiet := time.Second; quiet < min(pause, 5*time.Minute); quiet += time.Second {
					c.Quiet(frames[half-1].Stamp + int64(quiet))
				}
			}
			if i >= half {
				f.Stamp += int64(pause)
			}
			c.Frame(&f)
		}
		c.Finish()
	}
}

// A board that stays on overnight hears that the bus is silent, and for how long:
// the next morning is another shift. A log cannot tell that from a clock that was
// set, and goes on.
func TestALiveBusKnowsHowLongItWasSilent(t *testing.T) {
	s, frames, _ := quietDay(t, 0.25)
	for _, c := range []struct {
		pause       time.Duration
		live        bool
		began, over int
		unheard     float64 // s, of the shift that is open at the end
	}{
		{90 * time.Minute, true, 1, 0, 5340}, // a minute of it was lived through
		{13 * time.Hour, true, 2, 1, 0},
		{13 * time.Hour, false, 1, 0, 61},
	} {
		began, over := 0, 0
		core, err := New(pretend(t, s), Outputs{Shift: func(told ShiftTold) {
			switch told.Phase {
			case ShiftBegan:
				began++
			case ShiftEnded:
				over++
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		half := len(frames) / 2
		for i, f := range frames {
			if i == half && c.live {
				for quiet := time.Second; quiet < c.pause; quiet += time.Second {
					core.Quiet(frames[half-1].Stamp + int64(quiet))
				}
				if over != c.over || (core.ShiftNumber() == 0) != (c.over > 0) {
					t.Errorf("silent for %v: %d shifts are over before anything is heard", c.pause, over)
				}
			}
			if i >= half {
				f.Stamp += int64(c.pause)
			}
			core.Frame(&f)
		}
		if began != c.began || over != c.over {
			t.Errorf("silent for %v, live %t: %d shifts began, %d ended", c.pause, c.live, began, over)
		}
		if got := core.Shift().Total.Times.UnheardS; got < c.unheard-1 || got > c.unheard+1 {
			t.Errorf("silent for %v, live %t: %v s unheard, want %v", c.pause, c.live, got, c.unheard)
		}
	}
}
