package canbus

import (
	"testing"
	"time"

	"chaffinch/canbus/signal"

	"pgregory.net/rapid"
)

func TestTimeline(t *testing.T) {
	const s = int64(time.Second)
	type placed struct {
		stamp int64
		at    signal.Instant
		step  Step
	}
	tests := []struct {
		name   string
		frames []placed
	}{
		{"follows", []placed{{1000 * s, 0, Follows}, {1000*s + 5, 5, Follows}, {1000*s + 5, 5, Follows}}},
		{"disorder of two interfaces keeps the time of the frame before", []placed{
			{10 * s, 0, Follows}, {11 * s, signal.Instant(s), Follows},
			{11*s - int64(jitterBack), signal.Instant(s), Follows},
			{11*s + 1, signal.Instant(s + 1), Follows}}},
		{"further back is a clock step, of 61 s", []placed{
			{10 * s, 0, Follows}, {9 * s, signal.Instant(61 * s), AfterClockStep},
			{9*s + 7, signal.Instant(61*s + 7), Follows}}},
		{"a minute is a pause, more is a silence", []placed{
			{0, 0, Follows}, {60 * s, signal.Instant(60 * s), Follows},
			{120*s + 1, signal.Instant(120*s + 1), AfterSilence}}},
		{"an hour is a silence, more is a clock that was set", []placed{
			{0, 0, Follows}, {3600 * s, signal.Instant(3600 * s), AfterSilence},
			{7200*s + 1, signal.Instant(3661 * s), AfterClockStep}}},
		{"from 1970 to today", []placed{
			{5 * s, 0, Follows}, {1700000000 * s, signal.Instant(61 * s), AfterClockStep},
			{6 * s, signal.Instant(122 * s), AfterClockStep}}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var line Timeline
			for i, want := range test.frames {
				f := Frame{Stamp: want.stamp}
				step := line.Place(&f)
				if f.At != want.at || step != want.step {
					t.Errorf("frame %d: at %d, step %d; want %d, %d", i+1, f.At, step, want.at, want.step)
				}
				if line.Last() != want.at {
					t.Errorf("frame %d: Last is %d, want %d", i+1, line.Last(), want.at)
				}
			}
			if line.First() != test.frames[0].stamp {
				t.Errorf("First is %d", line.First())
			}
		})
	}
}

// Whatever the stamps: event time never goes back, and inside a segment it
// goes as the stamps do.
func TestTimelineNeverJumps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var line Timeline
		var before Frame
		steps := rapid.SliceOfN(rapid.SampledFrom([]time.Duration{
			0, time.Microsecond, 10 * time.Millisecond, time.Second, time.Minute, 61 * time.Second, 2 * time.Hour,
			-time.Microsecond, -100 * time.Millisecond, -time.Second, -300 * time.Hour}), 1, 50).Draw(t, "steps")
		stamp := int64(1_700_000_000e9)
		for i, d := range steps {
			stamp += int64(d)
			f := Frame{Stamp: stamp}
			step := line.Place(&f)
			if i > 0 {
				passed := f.At.Sub(before.At)
				switch {
				case passed < 0:
					t.Fatalf("frame %d: event time goes back by %v", i, -passed)
				case step == Follows && passed > LongestPause:
					t.Fatalf("frame %d: %v in one segment", i, passed)
				case step == AfterClockStep && passed != stepNominal:
					t.Fatalf("frame %d: a clock step counts %v", i, passed)
				}
			}
			if step == Follows && d >= 0 && line.Stamp(f.At) < f.Stamp {
				t.Fatalf("frame %d: Stamp(%d) = %d, want at least %d", i, f.At, line.Stamp(f.At), f.Stamp)
			}
			before = f
		}
	})
}

// boat-n2k-clock-step: frame 974 is 13.9 days earlier than the one before it,
// and from frame 1405 on the clock is back (testdata/real/README.md). Frame
// 24866 follows a pause of 1.2 s, which is none of it.
func TestTimelineOfALogWithClockSteps(t *testing.T) {
	l, err := OpenLogs(realLogs + "boat-n2k-clock-step.log.gz")
	if err != nil {
		t.Fatal(err)
	}
	want := map[int]Step{974: AfterClockStep, 1405: AfterClockStep}
	var line Timeline
	frames := readAll(t, l)
	for i := range frames {
		if step := line.Place(&frames[i]); step != want[i+1] {
			t.Errorf("frame %d: step %d, want %d", i+1, step, want[i+1])
		}
	}
	if pause := frames[24865].At.Sub(frames[24864].At); pause.Round(time.Millisecond) != 1200*time.Millisecond {
		t.Errorf("the pause before frame 24866 is %v, want 1.2 s", pause)
	}
}

func TestTimelineFromAnOrigin(t *testing.T) {
	line := Timeline{Origin: 500}
	for i, want := range []signal.Instant{500, 510} {
		f := Frame{Stamp: 7_000 + 10*int64(i)}
		if step := line.Place(&f); step != Follows || f.At != want {
			t.Errorf("frame %d: at %d, step %d; want %d", i+1, f.At, step, want)
		}
	}
}
