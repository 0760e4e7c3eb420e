package export

import (
	"encoding/json"
	"fmt"
	"iter"
	"time"

	"chaffinch/store"
)

// What the records say, as it was published; see the schemas of the topics.

// Event is an alarm with all that is known of it.
type Event struct {
	ID       string `json:"id"`
	Kind     string `json:"kind"`
	Priority string `json:"priority"`
	Activity string `json:"activity"`
	// Dates are nil where no clock could be trusted, and Ended also where the end
	// is not known.
	Began     *time.Time         `json:"began"`
	Raised    *time.Time         `json:"raised"`
	Ended     *time.Time         `json:"ended"`
	DurationS *float64           `json:"duration_s"` // nil: not over, or its end is not known
	Signal    *string            `json:"signal"`
	Peak      *Quantity          `json:"peak"`
	Evidence  map[string]float64 `json:"evidence"`
	Latitude  *float64           `json:"latitude"`
	Longitude *float64           `json:"longitude"`
	Text      string             `json:"text"`

	Subject *string `json:"-"` // what a kind with several subjects speaks of
	Phase   string  `json:"-"` // of its newest record: raised, changed, acknowledged, ended
	First   Record  `json:"-"` // its first record, without the payload
}

// Quantity is a number with its unit.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Prompt is a proposal with what became of it.
type Prompt struct {
	ID        string     `json:"id"`
	Symptom   string     `json:"symptom"`
	Lever     string     `json:"lever"`
	Direction string     `json:"direction"`
	Back      bool       `json:"back"`
	From      *float64   `json:"from"`
	To        *float64   `json:"to"`
	Unit      string     `json:"unit"`
	Head      string     `json:"head"`
	Reason    string     `json:"reason"`
	Risk      string     `json:"risk"`
	Caution   string     `json:"caution"`
	Opened    *time.Time `json:"opened"`
	Closed    string     `json:"closed"` // how it closed; empty while it is open

	First Record `json:"-"`
}

// Verdict is whether a change helped.
type Verdict struct {
	Prompt    string     `json:"prompt"`
	Symptom   string     `json:"symptom"`
	Lever     string     `json:"lever"`
	Direction string     `json:"direction"`
	From      *float64   `json:"from"`
	To        *float64   `json:"to"`
	Unit      string     `json:"unit"`
	Outcome   string     `json:"outcome"`
	By        string     `json:"by"`
	Before    *float64   `json:"before"`
	After     *float64   `json:"after"`
	ChangePct *float64   `json:"change_pct"`
	LowPct    *float64   `json:"low_pct"`
	HighPct   *float64   `json:"high_pct"`
	PutBack   bool       `json:"put_back"`
	Text      string     `json:"text"`
	Judged    *time.Time `json:"judged"`

	Record Record `json:"-"`
}

// Check is a check that was asked for, withdrawn or told.
type Check struct {
	ID      string          `json:"id"`
	Check   string          `json:"check"` // what was asked for; empty of one that was told
	Why     string          `json:"why"`
	Text    string          `json:"text"`
	Tank    json.RawMessage `json:"tank"`
	Returns json.RawMessage `json:"returns"`
	Ground  *struct {
		HeaderKgHa  *float64 `json:"header_kg_ha"`
		HeaderSE    *float64 `json:"header_se_kg_ha"`
		MachineKgHa *float64 `json:"machine_kg_ha"`
		MachineSE   *float64 `json:"machine_se_kg_ha"`
		YieldKgHa   *float64 `json:"yield_kg_ha"`
		Kernels     int      `json:"kernels"`
		Enough      bool     `json:"enough"`
	} `json:"ground"`

	Phase  string `json:"-"` // asked, withdrawn, told
	Record Record `json:"-"`
}

// Setting is a lever that was changed.
type Setting struct {
	Lever   string     `json:"lever"`
	From    *float64   `json:"from"`
	To      *float64   `json:"to"`
	Unit    string     `json:"unit"`
	Why     string     `json:"why"`
	Prompt  string     `json:"prompt"`
	Changed *time.Time `json:"changed"`

	Record Record `json:"-"`
}

// Events are the alarms of a part, each once with its newest state, in the order
// of their newest records. Dates that were not known when they were written are
// filled in from what is known now, as far as that can be done.
func (s *Source) Events(p Part) iter.Seq2[*Event, error] {
	return each(s, s.whole(p, store.Event), func(at place) (*Event, error) {
		var m struct {
			Phase   string  `json:"phase"`
			Subject *string `json:"subject"`
			Event   *Event  `json:"event"`
		}
		if err := parse(&at.last, &m, &m.Event); err != nil {
			return nil, err
		}
		e := m.Event
		e.Phase, e.Subject, e.First = m.Phase, m.Subject, at.first
		fill(&e.Raised, &at.first)
		if m.Phase == "ended" {
			fill(&e.Ended, &at.last)
		}
		return e, nil
	})
}

// Prompts are those of a part, each once with what became of it.
func (s *Source) Prompts(p Part) iter.Seq2[*Prompt, error] {
	return each(s, s.whole(p, store.Prompt), func(at place) (*Prompt, error) {
		var m struct {
			Prompt *Prompt `json:"prompt"`
		}
		if err := parse(&at.last, &m, &m.Prompt); err != nil {
			return nil, err
		}
		m.Prompt.First = at.first
		fill(&m.Prompt.Opened, &at.first)
		return m.Prompt, nil
	})
}

// Verdicts are those of a part.
func (s *Source) Verdicts(p Part) iter.Seq2[*Verdict, error] {
	return each(s, s.Records(p, store.Judged), func(r *Record) (*Verdict, error) {
		var m struct {
			Verdict *Verdict `json:"verdict"`
		}
		if err := parse(r, &m, &m.Verdict); err != nil {
			return nil, err
		}
		m.Verdict.Record = *r
		fill(&m.Verdict.Judged, r)
		return m.Verdict, nil
	})
}

// Checks are what was asked for, withdrawn and told in a part.
func (s *Source) Checks(p Part) iter.Seq2[*Check, error] {
	return each(s, s.Records(p, store.Check), func(r *Record) (*Check, error) {
		var m struct {
			Phase string `json:"phase"`
			Check *Check `json:"check"`
		}
		if err := parse(r, &m, &m.Check); err != nil {
			return nil, err
		}
		m.Check.Phase, m.Check.Record = m.Phase, *r
		return m.Check, nil
	})
}

// Settings are the levers that were changed in a part.
func (s *Source) Settings(p Part) iter.Seq2[*Setting, error] {
	return each(s, s.Records(p, store.Note), func(r *Record) (*Setting, error) {
		var m struct {
			Setting *Setting `json:"setting"`
		}
		if err := json.Unmarshal(r.Payload, &m); err != nil {
			return nil, fmt.Errorf("record %s: %w", r.Key, err)
		}
		if m.Setting == nil {
			return nil, nil // targets, a remark
		}
		m.Setting.Record = *r
		fill(&m.Setting.Changed, r)
		return m.Setting, nil
	})
}

// each makes one thing of another. What makes none is passed over, and what
// cannot be read too, and counted.
func each[From, To any](s *Source, all iter.Seq2[From, error], read func(From) (*To, error)) iter.Seq2[*To, error] {
	return func(yield func(*To, error) bool) {
		for one, err := range all {
			if err != nil {
				yield(nil, err)
				return
			}
			made, err := read(one)
			if err != nil {
				s.unread++
				continue
			}
			if made != nil && !yield(made, nil) {
				return
			}
		}
	}
}

// parse reads a payload; object must be in it.
func parse[T any](r *Record, message any, object **T) error {
	if err := json.Unmarshal(r.Payload, message); err != nil {
		return fmt.Errorf("record %s: %w", r.Key, err)
	}
	if *object == nil {
		return fmt.Errorf("record %s: there is no %s in it", r.Key, r.Kind)
	}
	return nil
}

// fill gives a date that was not known when it was written that of its record.
func fill(date **time.Time, r *Record) {
	if *date == nil && !r.Date.IsZero() {
		t := r.Date.Truncate(time.Millisecond)
		*date = &t
	}
}
