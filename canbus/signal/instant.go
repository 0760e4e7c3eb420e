package signal

import "time"

// Instant is event time: nanoseconds on a clock that never jumps. Its zero is
// arbitrary (the first frame of a log, the start of the board). All decisions
// use Instants; calendar time is only a label for people.
type Instant int64

// Never is before every Instant that is used.
const Never Instant = -1 << 62

// Sub is the time from u to t.
func (t Instant) Sub(u Instant) time.Duration { return time.Duration(t - u) }

// Add is the instant d after t.
func (t Instant) Add(d time.Duration) Instant { return t + Instant(d) }

// Seconds is t in seconds since the zero of its clock.
func (t Instant) Seconds() float64 { return float64(t) / 1e9 }
