package export

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"iter"
	"time"

	"chaffinch/store"
)

// told are the kinds of record that are published.
var told = [...]store.Kind{store.Event, store.Prompt, store.Judged, store.Check, store.Note, store.Shift}

// Line is one of JSONLines.
type Line struct {
	Record string  `json:"record"` // event, prompt, verdict, check, note, shift
	Key    string  `json:"key"`    // where it stands in the store; orders the lines
	Boot   uint32  `json:"boot"`   // the run of the program
	AtS    float64 `json:"at_s"`   // since that run began
	// Time is nil, and Clock "unset", where no clock could be trusted.
	Time    *string         `json:"time"`
	Clock   string          `json:"clock"`   // unset, system, bus, gnss
	Message json.RawMessage `json:"message"` // as it was published on the topic of that name
}

// topicOf is the name of the topic on which a kind is published.
func topicOf(k store.Kind) string {
	switch k {
	case store.Event:
		return "event"
	case store.Prompt:
		return "prompt"
	case store.Judged:
		return "verdict"
	case store.Check:
		return "check"
	case store.Shift:
		return "shift"
	}
	return "note"
}

// JSONLines writes all that was told in a part, in the order in which it was
// written, one JSON object a line: see Line.
func JSONLines(ctx context.Context, w io.Writer, s *Source, p Part) error {
	out := bufio.NewWriter(w)
	lines := json.NewEncoder(out)
	lines.SetEscapeHTML(false)
	for r, err := range s.merged(p) {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if !json.Valid(r.Payload) {
			s.unread++
			continue
		}
		line := Line{Record: topicOf(r.Kind), Key: r.Key.String(), Boot: r.Key.Boot, AtS: float64(time.Duration(r.At).Milliseconds()) / 1000,
			Clock: clock(r), Message: r.Payload}
		if !r.Date.IsZero() {
			t := r.Date.Format(isoTime)
			line.Time = &t
		}
		if err := lines.Encode(line); err != nil {
			return err
		}
	}
	return out.Flush()
}

// merged are the records of all kinds that are told, by key: one of each kind in
// hand at a time.
func (s *Source) merged(p Part) iter.Seq2[*Record, error] {
	return func(yield func(*Record, error) bool) {
		var next [len(told)]func() (*Record, error, bool)
		var first [len(told)]*Record
		take := func(i int) bool {
			r, err, ok := next[i]()
			if err != nil {
				yield(nil, err)
				return false
			}
			if first[i] = r; !ok {
				first[i] = nil
			}
			return true
		}
		for i, kind := range told {
			pull, stop := iter.Pull2(s.Records(p, kind))
			defer stop()
			next[i] = pull
			if !take(i) {
				return
			}
		}
		for {
			least := -1
			for i, r := range first {
				if r != nil && (least < 0 || r.Key.Less(first[least].Key)) {
					least = i
				}
			}
			if least < 0 || !yield(first[least], nil) || !take(least) {
				return
			}
		}
	}
}
