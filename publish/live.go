package publish

import (
	"strconv"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// LiveEvery is how often live values go out at most.
const LiveEvery = time.Second

// LiveValid is after how long a reader must distrust live values: five
// messages missed.
const LiveValid = 5 * LiveEvery

// Bus is the health of the bus in a few numbers.
type Bus struct {
	State       string // a canbus.LinkState: absent, down, up or refused
	FramesPerS  float64
	LoadPct     float64 // share of the bus's time that frames take; NaN if not known
	ErrorFrames uint64  // since the start
	Dropped     uint64  // frames lost before they were read, since the start
}

// Item is something about the program itself that is not well.
type Item struct {
	Name string // stable name, such as "not-recording"
	Text string // for the operator
}

// Moment is all that a live message tells, at one instant.
type Moment struct {
	State  *machine.State
	Bus    Bus
	Health []Item // what is not well, in a fixed order
	// Route names the way by which a reading came. May be nil.
	Route func(signal.Route) string
}

// appendLive appends the payload of the topic live.
func appendLive(dst []byte, seq uint64, m Moment, alerts []Alert, times Clock) []byte {
	s := m.State
	dst = appendEnvelope(dst, 'l', seq, s.Now, times)
	dst = append(dst, `,"valid_s":`...)
	dst = strconv.AppendInt(dst, int64(LiveValid/time.Second), 10)
	dst = append(dst, `,"activity":`...)
	dst = appendString(dst, s.Activity.String())
	dst = append(dst, `,"activity_basis":`...)
	dst = appendStringOrNull(dst, s.Basis)
	dst = append(dst, `,"activity_s":`...)
	if s.Activity == machine.Unknown {
		dst = append(dst, null...)
	} else {
		dst = appendNumber(dst, s.Now.Sub(s.Since).Seconds(), 0)
	}
	dst = appendFeed(dst, s.Feed)
	dst = append(dst, `,"signals":`...)
	dst = appendSignals(dst, &s.Signals, s.Now)
	dst = append(dst, `,"alerts":`...)
	dst = appendAlerts(dst, alerts, times)
	dst = append(dst, `,"bus":`...)
	dst = appendBus(dst, m.Bus)
	dst = append(dst, `,"health":[`...)
	for i, h := range m.Health {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, `{"name":`...)
		dst = appendString(dst, h.Name)
		dst = append(dst, `,"text":`...)
		dst = appendString(dst, h.Text)
		dst = append(dst, '}')
	}
	return append(dst, `]}`...)
}

func appendFeed(dst []byte, f machine.Feed) []byte {
	known := f.Basis != machine.NoFeed
	number := func(name string, v float64, known bool) {
		dst = append(dst, `,"`...)
		dst = append(dst, name...)
		dst = append(dst, `":`...)
		if known {
			dst = appendNumber(dst, v, decimalsOf(name))
		} else {
			dst = append(dst, null...)
		}
	}
	number("feed_rate_t_h", float64(f.Rate), known)
	number("feed_rate_sd_t_h", float64(f.SD), known)
	number("fullness_pct", float64(f.Fullness), known && f.FullnessKnown)
	dst = append(dst, `,"feed_basis":`...)
	return appendString(dst, f.Basis.String())
}

// appendSignals appends every signal that was heard since the start, in the
// order of the list. A value that is not good, or is too old, is null: the
// quality says why.
func appendSignals(dst []byte, t *signal.Table, now signal.Instant) []byte {
	dst = append(dst, '{')
	first := true
	for id := range signal.ID(signal.Count) {
		r := t.Get(id)
		if r.Quality == signal.Missing {
			continue
		}
		if !first {
			dst = append(dst, ',')
		}
		first = false
		info := id.Info()
		dst = appendString(dst, info.Name)
		dst = append(dst, `:{"value":`...)
		quality := r.Quality.String()
		if v, ok := t.Fresh(id, now); ok {
			dst = appendNumber(dst, v, info.Decimals)
		} else {
			dst = append(dst, null...)
			if r.Quality == signal.Good {
				quality = "stale"
			}
		}
		dst = append(dst, `,"unit":`...)
		dst = appendStringOrNull(dst, info.Unit)
		dst = append(dst, `,"quality":`...)
		dst = appendString(dst, quality)
		dst = append(dst, `,"age_ms":`...)
		dst = strconv.AppendInt(dst, now.Sub(r.Heard).Milliseconds(), 10)
		dst = append(dst, '}')
	}
	return append(dst, '}')
}

func appendAlerts(dst []byte, alerts []Alert, times Clock) []byte {
	dst = append(dst, '[')
	for i, a := range alerts {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, `{"id":`...)
		dst = appendString(dst, a.ID)
		dst = append(dst, `,"kind":`...)
		dst = appendString(dst, a.Kind)
		dst = append(dst, `,"subject":`...)
		dst = appendStringOrNull(dst, a.Subject)
		dst = append(dst, `,"priority":`...)
		dst = appendString(dst, a.Priority.String())
		dst = append(dst, `,"text":`...)
		dst = appendString(dst, a.Text)
		dst = append(dst, `,"since":`...)
		dst = appendDate(dst, times, a.Since)
		dst = append(dst, `,"since_uptime_ms":`...)
		dst = strconv.AppendInt(dst, a.Since.Sub(times.Start).Milliseconds(), 10)
		dst = append(dst, '}')
	}
	return append(dst, ']')
}

func appendBus(dst []byte, b Bus) []byte {
	dst = append(dst, `{"state":`...)
	dst = appendStringOrNull(dst, b.State)
	dst = append(dst, `,"frames_per_s":`...)
	dst = appendNumber(dst, b.FramesPerS, 0)
	dst = append(dst, `,"load_pct":`...)
	dst = appendNumber(dst, b.LoadPct, 0)
	dst = append(dst, `,"error_frames":`...)
	dst = strconv.AppendUint(dst, b.ErrorFrames, 10)
	dst = append(dst, `,"dropped_frames":`...)
	dst = strconv.AppendUint(dst, b.Dropped, 10)
	return append(dst, '}')
}
