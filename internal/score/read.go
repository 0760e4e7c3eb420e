package score

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
)

// ReadTruth reads the JSON that simulate writes, or another of its form:
// {"intervals": [{"kind", "began_s", "ended_s", "grey_before_s",
// "grey_after_s"}…], "quiet": [[a, b]…]}.
func ReadTruth(r io.Reader) (*virtual.Truth, error) {
	var t virtual.Truth
	if err := json.NewDecoder(r).Decode(&t); err != nil {
		return nil, fmt.Errorf("score: the truth is not JSON of the right form: %w", err)
	}
	check := func(what string, list []virtual.Interval) error {
		for i := range list {
			v := &list[i]
			sound := v.Kind != "" && v.Began >= 0 && v.Ended >= v.Began && v.GreyBefore >= 0 && v.GreyAfter >= 0
			if !sound || math.IsInf(v.Ended+v.GreyBefore+v.GreyAfter, 0) {
				return fmt.Errorf("score: %s %d of the truth is no interval of a kind: %+v", what, i+1, *v)
			}
		}
		return nil
	}
	if err := check("interval", t.Intervals); err != nil {
		return nil, err
	}
	return &t, check("doubtful interval", t.Doubtful)
}

// line is what scoring needs of an event object.
type line struct {
	Kind     string             `json:"kind"`
	Began    *time.Time         `json:"began"`
	Raised   *time.Time         `json:"raised"`
	Ended    *time.Time         `json:"ended"`
	Signal   string             `json:"signal"`
	Evidence map[string]float64 `json:"evidence"`
}

// Events are the alerts of a file, with dates.
type Events struct {
	lines []line
}

// ReadEvents reads event objects, one a line, as replay writes them.
func ReadEvents(r io.Reader) (*Events, error) {
	var all Events
	text := bufio.NewScanner(r)
	text.Buffer(nil, 1<<20)
	for n := 1; text.Scan(); n++ {
		if len(text.Bytes()) == 0 {
			continue
		}
		var l line
		if err := json.Unmarshal(text.Bytes(), &l); err != nil {
			return nil, fmt.Errorf("score: line %d of the events is no event: %w", n, err)
		}
		if l.Kind == "" || l.Raised == nil {
			return nil, fmt.Errorf("score: line %d of the events has no kind, or no date of being raised", n)
		}
		all.lines = append(all.lines, l)
	}
	if err := text.Err(); err != nil {
		return nil, fmt.Errorf("score: read events: %w", err)
	}
	return &all, nil
}

// CountedFromZero tells whether the log had no dates, so that its stamps and
// the truth's seconds count from nearly the same.
func (e *Events) CountedFromZero() bool {
	for i := range e.lines {
		if e.lines[i].Raised.Year() != 1970 {
			return false
		}
	}
	return true
}

// Alerts are the events in seconds from the stamp of the log's first frame.
func (e *Events) Alerts(start time.Time) []Alert {
	subjects := map[string]detect.Speaks{}
	for _, k := range detect.Kinds() {
		subjects[k.Name] = k.Speaks
	}
	all := make([]Alert, 0, len(e.lines))
	for i := range e.lines {
		l := &e.lines[i]
		a := Alert{Kind: l.Kind, Raised: l.Raised.Sub(start).Seconds(), Open: l.Ended == nil}
		a.Began = a.Raised
		if l.Began != nil {
			a.Began = l.Began.Sub(start).Seconds()
		}
		if l.Ended != nil {
			a.Ended = l.Ended.Sub(start).Seconds()
		}
		switch subjects[l.Kind] {
		case detect.OfSignal:
			a.Subject = l.Signal
		case detect.OfFaultCode:
			a.Subject = fmt.Sprintf("%.0f-%.0f@%.0f", l.Evidence["spn"], l.Evidence["fmi"], l.Evidence["source_address"])
		}
		all = append(all, a)
	}
	return all
}
