package canbus

import (
	"time"

	"chaffinch/canbus/signal"
)

// The rules by which stamps become event time.
const (
	// Backward steps up to jitterBack are the disorder of several interfaces
	// in one log; such a frame is given the time of the one before it.
	jitterBack = 100 * time.Millisecond
	// A step forward of more than LongestPause starts a new segment.
	LongestPause = time.Minute
	// A step forward up to longestSilence can be a silent bus; one that is
	// longer is taken for a clock that was set.
	longestSilence = time.Hour
	// stepNominal is the event time between the frames on both sides of a step:
	// more than a live bus may have lived through in silence before it.
	stepNominal = LongestPause + time.Second
)

// Step says how a frame follows the one before it.
type Step uint8

const (
	Follows Step = iota // in the same segment
	// AfterSilence starts a segment after a pause of more than LongestPause
	// and at most an hour: the bus was silent.
	AfterSilence
	// AfterClockStep starts a segment because the clock went back, or forward
	// by more than an hour: how much time passed is unknown.
	AfterClockStep
)

// Timeline turns stamps, which may jump, into Instants, which never do.
// Within a segment Instants differ as the stamps do. The zero Timeline is
// ready; its first frame is at Instant 0 unless Origin says otherwise.
//
//	stamp  ... 10.0  10.1 | 9.0  9.1 ...     (a step back)
//	event  ...  5.0   5.1 | 66.1 66.2 ...     (a minute and a second are counted)
type Timeline struct {
	// Origin is the event time of the first frame; to be set before it.
	Origin signal.Instant

	started bool
	last    int64          // highest stamp of this segment
	lastAt  signal.Instant // its event time
	offset  int64          // stamp minus event time, in this segment
	first   int64          // stamp of the first frame of all
}

// Place sets the frame's At and says how it follows the one before it.
func (t *Timeline) Place(f *Frame) Step {
	d := time.Duration(f.Stamp - t.last)
	switch {
	case !t.started:
		t.started = true
		t.first = f.Stamp
		t.begin(f.Stamp, t.Origin)
		f.At = t.Origin
		return Follows
	case d >= 0 && d <= LongestPause:
		t.last = f.Stamp
		t.lastAt = signal.Instant(f.Stamp - t.offset)
		f.At = t.lastAt
		return Follows
	case d < 0 && d >= -jitterBack:
		f.At = t.lastAt
		return Follows
	case d > 0 && d <= longestSilence:
		t.last = f.Stamp
		t.lastAt = signal.Instant(f.Stamp - t.offset)
		f.At = t.lastAt
		return AfterSilence
	default:
		t.begin(f.Stamp, t.lastAt.Add(stepNominal))
		f.At = t.lastAt
		return AfterClockStep
	}
}

func (t *Timeline) begin(stamp int64, at signal.Instant) {
	t.last, t.lastAt = stamp, at
	t.offset = stamp - int64(at)
}

// Stamp is the source's own stamp for an instant of the present segment.
func (t *Timeline) Stamp(at signal.Instant) int64 { return int64(at) + t.offset }

// Last is the event time of the newest frame.
func (t *Timeline) Last() signal.Instant { return t.lastAt }

// First is the stamp of the first frame of all.
func (t *Timeline) First() int64 { return t.first }
