package core

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/config"
)

// pretend is a configuration that suits the scenario's combine.
func pretend(t testing.TB, s virtual.Scenario) *config.Config {
	t.Helper()
	cfg, wrong := config.FromText(virtual.ConfigText(s))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return cfg
}

// harvest runs a make-believe harvest through a core.
func harvest(t testing.TB, s virtual.Scenario, seed uint64, out Outputs) virtual.Truth {
	t.Helper()
	c, err := New(pretend(t, s), out)
	if err != nil {
		t.Fatal(err)
	}
	combine := virtual.New(s, seed)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	return combine.Truth()
}

// spine are the kinds of alarms that there are.
func spine() []string {
	var names []string
	for _, k := range detect.Kinds() {
		names = append(names, k.Name)
	}
	return names
}

// The truth about the make-believe day is worked out from its physics, not by
// our rules. Each trouble is found once, in time, and nothing else is raised.
func TestTheDemoRaisesWhatIsTrueAndNothingElse(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3} {
		s := virtual.Demo()
		s.Start = "2026-07-01T10:00:00Z"
		var raised []detect.Event
		truth := harvest(t, s, seed, Outputs{Event: func(e *detect.Event) {
			if e.Phase == detect.Raised {
				raised = append(raised, *e)
			}
		}})
		if len(raised) == 0 || raised[0].Raised.Seconds() > 60 {
			t.Errorf("seed %d: the first alert does not come within a minute", seed)
		}
		found := make([]bool, len(raised))
		for _, i := range truth.Intervals {
			if !slices.Contains(spine(), i.Kind) {
				continue
			}
			hit := slices.IndexFunc(raised, func(e detect.Event) bool {
				at := e.Raised.Seconds()
				return e.Kind == i.Kind && at >= i.Began-i.GreyBefore && at <= i.Ended+i.GreyAfter
			})
			if hit < 0 {
				t.Errorf("seed %d: missed %s from %.1f to %.1f s", seed, i.Kind, i.Began, i.Ended)
				continue
			}
			found[hit] = true
		}
		for n, e := range raised {
			doubted := slices.ContainsFunc(truth.Doubtful, func(i virtual.Interval) bool {
				at := e.Raised.Seconds()
				return e.Kind == i.Kind && at >= i.Began-i.GreyBefore && at <= i.Ended+i.GreyAfter
			})
			if !found[n] && !doubted {
				t.Errorf("seed %d: false %s at %.1f s: %s", seed, e.Kind, e.Raised.Seconds(), e.Text)
			}
		}
	}
}

// Promise: the same frames give the same events, byte for byte.
func TestTwoRunsGiveTheSameBytes(t *testing.T) {
	s := virtual.Demo()
	s.Start = "2026-07-01T10:00:00Z"
	var first []byte
	for n := range 3 {
		var events, table bytes.Buffer
		var c *Core
		wall := func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true }
		lines, samples := NewLines(&events, wall), NewSamples(&table, wall)
		c, err := New(pretend(t, s), Outputs{Event: lines.Event, State: samples.State})
		if err != nil {
			t.Fatal(err)
		}
		combine := virtual.New(s, 1)
		for f := range combine.Frames() {
			c.Frame(f)
		}
		c.Finish()
		if lines.Close() != nil || samples.Close() != nil || events.Len() == 0 {
			t.Fatal("nothing was written")
		}
		all := append(events.Bytes(), table.Bytes()...)
		if n == 0 {
			first = all
		} else if !bytes.Equal(first, all) {
			t.Error("a second run gave other bytes")
		}
	}
}
