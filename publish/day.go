package publish

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"chaffinch/canbus/signal"
)

// DayItem is one line of the day: an alert, a prompt, a verdict, a setting, a
// check or a note.
type DayItem struct {
	Time   *time.Time `json:"time"` // nil while the clock is unset
	Kind   string     `json:"kind"` // alert, prompt, verdict, setting, check, note
	ID     string     `json:"id"`   // of the event, prompt or check, or of the message
	State  string     `json:"state"`
	Text   string     `json:"text"`
	Detail string     `json:"detail"` // may be empty
	// Priority of an alert: low, medium, high.
	Priority string `json:"priority,omitempty"`

	at signal.Instant // in this run; Never for what was before
}

// States of an DayItem beside those that are empty: of an alert active or over, of
// a prompt open or how it closed, of a check asked, withdrawn or told.
const (
	ItemActive      = "active"
	ItemOver        = "over"
	ItemOpen        = "open"
	ItemInterrupted = "interrupted" // the program ended meanwhile
)

// mostItems is how much of a day is kept in memory; the store has all.
const mostItems = 500

// day is the newest items, oldest first.
type day struct{ items []DayItem }

// add takes an item; that of the same alert or prompt is brought up to date.
func (d *day) add(it DayItem) {
	for i := len(d.items) - 1; i >= 0; i-- {
		old := &d.items[i]
		if old.Kind != it.Kind || old.ID != it.ID {
			continue
		}
		it.Time, it.at = old.Time, old.at
		if it.Detail == "" {
			it.Detail = old.Detail
		}
		*old = it
		return
	}
	if len(d.items) == mostItems {
		d.items = append(d.items[:0], d.items[1:]...)
	}
	d.items = append(d.items, it)
}

// newest lists at most n items, newest first.
func (d *day) newest(n int) []DayItem {
	n = min(max(n, 0), len(d.items))
	out := make([]DayItem, 0, n)
	for i := len(d.items) - 1; len(out) < n; i-- {
		out = append(out, d.items[i])
	}
	return out
}

// message is what itemOf reads of a payload.
type message struct {
	ID     string     `json:"id"`
	At     *time.Time `json:"at"`
	Uptime int64      `json:"uptime_ms"`
	Phase  string     `json:"phase"`
	Kind   string     `json:"kind"`
	Event  *struct {
		ID       string   `json:"id"`
		Kind     string   `json:"kind"`
		Priority string   `json:"priority"`
		Text     string   `json:"text"`
		Duration *float64 `json:"duration_s"`
	} `json:"event"`
	Prompt *struct {
		ID     string `json:"id"`
		Head   string `json:"head"`
		Reason string `json:"reason"`
		Closed string `json:"closed"`
	} `json:"prompt"`
	Verdict *struct {
		Outcome string `json:"outcome"`
		Text    string `json:"text"`
	} `json:"verdict"`
	Check *struct {
		ID   string `json:"id"`
		Text string `json:"text"`
	} `json:"check"`
	Setting *struct {
		Lever string   `json:"lever"`
		From  *float64 `json:"from"`
		To    *float64 `json:"to"`
		Unit  string   `json:"unit"`
		Why   string   `json:"why"`
	} `json:"setting"`
	Remark *struct {
		Text string `json:"text"`
	} `json:"remark"`
}

// itemOf makes an item of a payload of the topics event, prompt, verdict, check
// and note: of this run or of one before, so that the day is the same after a
// restart.
func itemOf(payload []byte) (it DayItem, ok bool) {
	var m message
	if json.Unmarshal(payload, &m) != nil {
		return DayItem{}, false
	}
	it = DayItem{Time: m.At, ID: m.ID, at: signal.Instant(m.Uptime * int64(time.Millisecond))}
	switch {
	case m.Event != nil:
		it.Kind, it.ID, it.State, it.Text, it.Priority = "alert", m.Event.ID, ItemActive, m.Event.Text, m.Event.Priority
		if m.Phase == "ended" {
			it.State = ItemOver
			if m.Event.Duration != nil {
				it.Detail = "for " + span(*m.Event.Duration)
			}
		}
	case m.Prompt != nil:
		it.Kind, it.ID, it.State, it.Text, it.Detail = "prompt", m.Prompt.ID, ItemOpen, m.Prompt.Head, m.Prompt.Reason
		if m.Phase == "closed" {
			it.State = m.Prompt.Closed
		}
	case m.Verdict != nil:
		it.Kind, it.State, it.Text = "verdict", m.Verdict.Outcome, m.Verdict.Text
	case m.Check != nil:
		it.Kind, it.State, it.Text = "check", m.Phase, m.Check.Text
		if m.Phase != "told" && m.Check.ID != "" {
			it.ID = m.Check.ID
		}
	case m.Setting != nil:
		it.Kind, it.State, it.Text = "setting", m.Setting.Why, strings.ReplaceAll(m.Setting.Lever, "_", " ")
		if m.Setting.From != nil && m.Setting.To != nil {
			it.Text += fmt.Sprintf(" from %s to %s %s", short(*m.Setting.From), short(*m.Setting.To), m.Setting.Unit)
		}
		it.Text = strings.TrimSpace(it.Text)
	case m.Remark != nil:
		it.Kind, it.State, it.Text = "note", m.Kind, m.Remark.Text
	default:
		return DayItem{}, false // targets: numbers, and no line to read
	}
	return it, true
}

func short(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func span(seconds float64) string {
	if seconds < 120 {
		return fmt.Sprintf("%.0f s", seconds)
	}
	return fmt.Sprintf("%.0f min", seconds/60)
}

// interrupt ends what a run before left open.
func (d *day) interrupt() {
	for i := range d.items {
		if it := &d.items[i]; it.State == ItemOpen || it.State == ItemActive {
			it.State = ItemInterrupted
		}
	}
}

// before is an item of an earlier run: its uptime means nothing now.
func before(it DayItem) DayItem {
	it.at = signal.Never
	return it
}
