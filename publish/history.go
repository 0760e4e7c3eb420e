package publish

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

const (
	// HistoryEvery is the step of the history.
	HistoryEvery = 10 * time.Second
	// historyLength is an hour of it.
	historyLength = int(time.Hour / HistoryEvery)
)

// History is how full the machine was, and what it did, in steps of
// HistoryEvery, oldest first, with what happened meanwhile.
type History struct {
	EveryS      int        `json:"every_s"`
	From        *time.Time `json:"from"`         // of the first step; nil while the clock is unset
	FullnessPct []*float64 `json:"fullness_pct"` // mean of the step; nil where it was not known
	Activity    []string   `json:"activity"`     // at the end of the step
	Marks       []Mark     `json:"marks"`        // oldest first
}

// Mark is an DayItem in the history.
type Mark struct {
	Time *time.Time `json:"time"`
	AgoS float64    `json:"ago_s"` // before the end of the newest step
	Kind string     `json:"kind"`
	ID   string     `json:"id"`
	Text string     `json:"text"`
}

// history is a ring of the last hour.
type history struct {
	ring  [historyLength]stretch
	next  int
	count int

	step  int64 // the step that is gathered
	sum   float64
	n     int
	doing machine.Activity
}

type stretch struct {
	end      signal.Instant
	date     *time.Time // of the end, about
	fullness float64    // NaN where it is not known
	activity machine.Activity
}

// add takes a state, about once a second, and its date if that is known.
func (h *history) add(s *machine.State, date *time.Time) {
	step := int64(s.Now) / int64(HistoryEvery)
	if step != h.step {
		if step == h.step+1 {
			h.close(signal.Instant(step*int64(HistoryEvery)), date)
		} else {
			h.count, h.next = 0, 0 // the clock of the stream broke: steps would not be in line
		}
		h.step, h.sum, h.n = step, 0, 0
	}
	if s.Feed.Basis != machine.NoFeed && s.Feed.FullnessKnown {
		h.sum += float64(s.Feed.Fullness)
		h.n++
	}
	h.doing = s.Activity
}

func (h *history) close(end signal.Instant, date *time.Time) {
	m := stretch{end: end, date: date, fullness: math.NaN(), activity: h.doing}
	if h.n > 0 {
		m.fullness = math.Round(h.sum / float64(h.n))
	}
	h.ring[h.next] = m
	h.next = (h.next + 1) % historyLength
	h.count = min(h.count+1, historyLength)
}

// newest is the newest steps, with their marks.
func (h *history) newest(minutes int, items []DayItem) History {
	n := min(max(minutes, 0)*int(time.Minute/HistoryEvery), h.count)
	out := History{EveryS: int(HistoryEvery / time.Second), FullnessPct: make([]*float64, 0, n), Activity: make([]string, 0, n), Marks: []Mark{}}
	if n == 0 {
		return out
	}
	var first, last signal.Instant
	for i := range n {
		m := &h.ring[(h.next-n+i+historyLength)%historyLength]
		if i == 0 {
			first = m.end.Add(-HistoryEvery)
			if m.date != nil {
				from := m.date.Add(-HistoryEvery)
				out.From = &from
			}
		}
		last = m.end
		if math.IsNaN(m.fullness) {
			out.FullnessPct = append(out.FullnessPct, nil)
		} else {
			v := m.fullness
			out.FullnessPct = append(out.FullnessPct, &v)
		}
		out.Activity = append(out.Activity, m.activity.String())
	}
	for i := range items {
		if it := &items[i]; it.at != signal.Never && it.at >= first {
			out.Marks = append(out.Marks, Mark{it.Time, last.Sub(it.at).Seconds(), it.Kind, it.ID, it.Text})
		}
	}
	return out
}
