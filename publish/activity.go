package publish

import (
	"time"

	"chaffinch/canbus/signal"
)

// AppendActivity appends a stretch of one activity as a JSON object: what it
// was, what came next (null at the end), on what it rests, when it began and how
// long it was.
func AppendActivity(dst []byte, from, to, basis string, began signal.Instant, long time.Duration, times Clock) []byte {
	o := object{dst: dst}
	o.date("began", began, times)
	o.key("uptime_s")
	o.dst = appendNumber(o.dst, began.Sub(times.Start).Seconds(), 1)
	o.text("from", from)
	o.text("to", to)
	o.text("basis", basis)
	o.key("seconds")
	o.dst = appendNumber(o.dst, long.Seconds(), 1)
	return o.end()
}
