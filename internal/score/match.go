package score

import (
	"slices"
	"strings"

	"chaffinch/canbus/virtual"
)

// Alert is an event as the operator heard it. Times are seconds from the first
// frame of the log.
type Alert struct {
	Kind    string
	Subject string // a signal's name, or "spn-fmi@address", or nothing
	Began   float64
	Raised  float64
	Ended   float64 // meaningful unless Open
	Open    bool    // still active when the log ended
}

// Outcome is what became of an alert.
type Outcome uint8

const (
	False     Outcome = iota // matches nothing
	Found                    // matches a trouble, in time
	Late                     // matches one, past the deadline: neither found nor useful
	Duplicate                // a further alert of a trouble that has one
	Doubtful                 // the truth itself is in doubt there: counts neither way
)

var outcomeNames = [...]string{"false", "found", "late", "duplicate", "doubtful"}

// String is a word for tables.
func (o Outcome) String() string {
	if int(o) < len(outcomeNames) {
		return outcomeNames[o]
	}
	return "invalid"
}

// Judged is an alert with its outcome.
type Judged struct {
	Alert
	Outcome Outcome
	Truth   int     // index of the interval that it matches; -1 if none
	Delay   float64 // s from the beginning of that interval to the alert
}

// Tally counts what became of one kind.
type Tally struct {
	Kind       string
	Events     int // troubles that there were
	Blind      int // of them, those in which the alarm said that it could not judge
	Found      int
	Late       int
	False      int
	Duplicates int
	Doubtful   int
	Delays     []float64 // s, of those found
}

// Missed is how many troubles that could be judged had no alert in time.
func (t *Tally) Missed() int { return t.Events - t.Blind - t.Found }

// Alerts is how many were raised that count: all but those in doubt.
func (t *Tally) Alerts() int { return t.Found + t.Late + t.False + t.Duplicates }

// Recall is the share of troubles that were found in time, of those that could
// be judged. It is not known where there was none.
func (t *Tally) Recall() (share float64, known bool) { return ratio(t.Found, t.Events-t.Blind) }

// Precision is the share of alerts that were useful. Further alerts of the same
// trouble are left out, or counted against it.
func (t *Tally) Precision(withDuplicates bool) (share float64, known bool) {
	n := t.Found + t.Late + t.False
	if withDuplicates {
		n += t.Duplicates
	}
	return ratio(t.Found, n)
}

// F1 is the harmonic mean of recall and precision.
func (t *Tally) F1() (f float64, known bool) {
	return ratio(2*t.Found, t.Events-t.Blind+t.Found+t.Late+t.False)
}

func ratio(n, of int) (float64, bool) {
	if of == 0 {
		return 0, false
	}
	return float64(n) / float64(of), true
}

// Card is the score of one log, or of several added up.
type Card struct {
	Tallies []Tally // in alphabetical order of kinds
	Judged  []Judged
	// Blinded marks the intervals in which the alarm could not judge; nil where
	// that is not known.
	Blinded []bool
	// WorkHours is the time cutting, to which false alarms are put.
	WorkHours float64
	// InQuiet are alerts raised where nothing at all should have been.
	InQuiet int
	// WorstTen is the most alerts within ten minutes.
	WorstTen int
}

// Match puts alerts against the truth, kind by kind and one to one: alerts in
// the order in which they were raised, each to the earliest interval of its
// kind (and subject) that is still free. An alert matches an interval if it was
// raised inside, grey margins allowed. One that comes later than the kind's
// deadline is late: a miss in recall, and of no use in precision.
func Match(truth *virtual.Truth, alerts []Alert, deadlines Deadlines) Card {
	alerts = slices.Clone(alerts)
	slices.SortStableFunc(alerts, func(a, b Alert) int {
		switch {
		case a.Raised < b.Raised:
			return -1
		case a.Raised > b.Raised:
			return 1
		}
		return 0
	})
	order := make([]int, len(truth.Intervals))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := truth.Intervals[a].Began, truth.Intervals[b].Began; {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	card := Card{WorkHours: workHours(truth)}
	taken := make([]bool, len(truth.Intervals))
	for _, a := range alerts {
		j := Judged{Alert: a, Truth: -1}
		for _, i := range order {
			v := &truth.Intervals[i]
			if !within(v, &a) {
				continue
			}
			if taken[i] {
				j.Outcome, j.Truth = Duplicate, i
				continue
			}
			taken[i] = true
			j.Outcome, j.Truth, j.Delay = Found, i, a.Raised-v.Began
			if j.Delay > deadlines.of(a.Kind) {
				j.Outcome = Late
			}
			break
		}
		if j.Outcome == False || j.Outcome == Duplicate {
			for i := range truth.Doubtful {
				if within(&truth.Doubtful[i], &a) {
					j.Outcome, j.Truth = Doubtful, -1
				}
			}
		}
		if j.Outcome == False && inQuiet(truth, a.Raised) {
			card.InQuiet++
		}
		card.Judged = append(card.Judged, j)
	}
	card.WorstTen = worstTen(alerts)
	card.tally(truth)
	return card
}

func within(v *virtual.Interval, a *Alert) bool {
	return v.Kind == a.Kind && a.Raised >= v.Began-v.GreyBefore && a.Raised <= v.Ended+v.GreyAfter && speaksOf(a.Subject, v.Subject)
}

// speaksOf tells whether an alert's subject is the truth's, or begins with it
// as a whole word: the truth of a fault code does not know its sender.
func speaksOf(subject, truth string) bool {
	rest, ok := strings.CutPrefix(subject, truth)
	if !ok || truth == "" || rest == "" {
		return ok
	}
	c := rest[0]
	return !(c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z')
}

func inQuiet(truth *virtual.Truth, at float64) bool {
	for _, q := range truth.Quiet {
		if at >= q[0] && at < q[1] {
			return true
		}
	}
	return false
}

// workHours is the time cutting; where the truth does not tell, the whole span
// of it.
func workHours(truth *virtual.Truth) float64 {
	cutting := 0
	for _, a := range truth.Activity {
		if a == "cutting" {
			cutting++
		}
	}
	if len(truth.Activity) > 0 {
		return float64(cutting) / 3600
	}
	last := 0.0
	for i := range truth.Intervals {
		last = max(last, truth.Intervals[i].Ended)
	}
	for _, q := range truth.Quiet {
		last = max(last, q[1])
	}
	return last / 3600
}

func worstTen(sorted []Alert) (worst int) {
	from := 0
	for i := range sorted {
		for sorted[i].Raised-sorted[from].Raised >= 600 {
			from++
		}
		worst = max(worst, i-from+1)
	}
	return worst
}

// tally counts by kind.
func (c *Card) tally(truth *virtual.Truth) {
	for i := range truth.Intervals {
		c.of(truth.Intervals[i].Kind).Events++
	}
	for i := range c.Judged {
		j := &c.Judged[i]
		t := c.of(j.Kind)
		switch j.Outcome {
		case Found:
			t.Found++
			t.Delays = append(t.Delays, j.Delay)
		case Late:
			t.Late++
		case Duplicate:
			t.Duplicates++
		case Doubtful:
			t.Doubtful++
		default:
			t.False++
		}
	}
}

// of is the tally of a kind, new if there is none yet. The pointer holds until
// the next call.
func (c *Card) of(kind string) *Tally {
	i, ok := slices.BinarySearchFunc(c.Tallies, kind, func(t Tally, k string) int { return strings.Compare(t.Kind, k) })
	if !ok {
		c.Tallies = slices.Insert(c.Tallies, i, Tally{Kind: kind})
	}
	return &c.Tallies[i]
}

// Add adds another log's card.
func (c *Card) Add(other *Card) {
	for i := range other.Tallies {
		o := &other.Tallies[i]
		t := c.of(o.Kind)
		t.Events += o.Events
		t.Blind += o.Blind
		t.Found += o.Found
		t.Late += o.Late
		t.False += o.False
		t.Duplicates += o.Duplicates
		t.Doubtful += o.Doubtful
		t.Delays = append(t.Delays, o.Delays...)
	}
	c.WorkHours += other.WorkHours
	c.InQuiet += other.InQuiet
	c.WorstTen = max(c.WorstTen, other.WorstTen)
}
