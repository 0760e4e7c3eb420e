package score

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/outside"
)

// The worked example of testdata/statistics, alert by alert: margins before and
// after, and a deadline, for each kind.
func TestWorkedExample(t *testing.T) {
	margins := map[string][2]float64{"slug": {1, 2}, "overload": {2, 5}, "drift": {60, 300}}
	deadlines := Deadlines{"slug": 3, "overload": 20, "drift": 600}
	truth := &virtual.Truth{}
	var names []string
	for _, row := range outside.Statistics(t, "scoring_truth.csv") {
		m := margins[row["kind"]]
		truth.Intervals = append(truth.Intervals, virtual.Interval{Kind: row["kind"], Began: outside.Number(t, row["start_s"]),
			Ended: outside.Number(t, row["end_s"]), GreyBefore: m[0], GreyAfter: m[1]})
		names = append(names, row["id"])
	}
	truth.Activity = make([]string, 3600)
	for i := range truth.Activity {
		truth.Activity[i] = "cutting"
	}
	var alerts []Alert
	for _, row := range outside.Statistics(t, "scoring_alerts.csv") {
		at := outside.Number(t, row["onset_s"])
		alerts = append(alerts, Alert{Kind: row["kind"], Began: at, Raised: at, Ended: outside.Number(t, row["clear_s"])})
	}
	card := Match(truth, alerts, deadlines)
	words := map[string]Outcome{"tp": Found, "fp": False, "late": Late, "duplicate": Duplicate}
	for i, row := range outside.Statistics(t, "scoring_expected.csv") {
		j := card.Judged[i]
		if j.Outcome != words[row["outcome"]] {
			t.Errorf("%s is %s, want %s", row["alert"], j.Outcome, row["outcome"])
		}
		if row["truth"] != "" && (j.Truth < 0 || names[j.Truth] != row["truth"]) {
			t.Errorf("%s matches %d, want %s", row["alert"], j.Truth, row["truth"])
		}
		if row["delay_s"] != "" && math.Abs(j.Delay-outside.Number(t, row["delay_s"])) > 1e-9 {
			t.Errorf("%s: delay %g, want %s", row["alert"], j.Delay, row["delay_s"])
		}
	}
	var all Tally
	for _, tally := range card.Tallies {
		all.Events, all.Found, all.Late = all.Events+tally.Events, all.Found+tally.Found, all.Late+tally.Late
		all.False, all.Duplicates = all.False+tally.False, all.Duplicates+tally.Duplicates
		all.Delays = append(all.Delays, tally.Delays...)
	}
	check := func(what string, got, want float64) {
		if math.Abs(got-want) > 1e-9 {
			t.Errorf("%s %g, want %g", what, got, want)
		}
	}
	precision, _ := all.Precision(false)
	strict, _ := all.Precision(true)
	recall, _ := all.Recall()
	f1, _ := all.F1()
	check("precision", precision, 3.0/7)
	check("precision with duplicates", strict, 3.0/8)
	check("recall", recall, 3.0/5)
	check("F1", f1, 0.5)
	check("median delay", quantile(all.Delays, 0.5), 12)
	rate, low, high := falsePerShift(all.False, card.WorkHours)
	check("false in 12 h", rate, 36)
	if math.Abs(low-7.4) > 0.05 || math.Abs(high-105) > 0.5 {
		t.Errorf("95 %% interval %.2f to %.2f, want 7.4 to 105", low, high)
	}
}

// Exact Poisson intervals, tabulated (Garwood 1936; recomputed values).
func TestPoissonInterval(t *testing.T) {
	for n, want := range map[int][2]float64{0: {0, 3.69}, 1: {0.025, 5.57}, 2: {0.24, 7.22}, 3: {0.62, 8.77}, 5: {1.62, 11.67}} {
		low, high := PoissonInterval(n)
		if math.Abs(low-want[0]) > 0.006 || math.Abs(high-want[1]) > 0.006 {
			t.Errorf("%d: %.3f to %.3f, want %g to %g", n, low, high, want[0], want[1])
		}
	}
}

func TestSubjects(t *testing.T) {
	for _, c := range []struct {
		alert, truth string
		want         bool
	}{
		{"110-16@0", "110-16", true}, {"110-16@0", "110-1", false}, {"coolant_c", "coolant_c", true},
		{"coolant_c", "", true}, {"", "coolant_c", false}, {"1110-16@0", "110-16", false}, {"110-16@0", "110-16@0", true},
	} {
		if got := speaksOf(c.alert, c.truth); got != c.want {
			t.Errorf("%q of %q: %v", c.alert, c.truth, got)
		}
	}
}

func TestDoubtfulCountsNowhere(t *testing.T) {
	truth := &virtual.Truth{
		Doubtful: []virtual.Interval{{Kind: "feed-drop", Began: 100, Ended: 110, GreyAfter: 5}},
		Quiet:    [][2]float64{{200, 300}},
	}
	card := Match(truth, []Alert{{Kind: "feed-drop", Raised: 112}, {Kind: "feed-drop", Raised: 116}, {Kind: "engine-hot", Raised: 250}}, UsualDeadlines())
	if got := card.Judged; got[0].Outcome != Doubtful || got[1].Outcome != False || got[2].Outcome != False {
		t.Errorf("%v", got)
	}
	if card.InQuiet != 1 {
		t.Errorf("%d in quiet", card.InQuiet)
	}
}

// Three that must do badly: one that says nothing, one that cries once a minute,
// one that cries at random. A score that likes them is no score.
func TestNegativeControls(t *testing.T) {
	run := func(alerts []Alert) *Tally {
		v := &virtual.Truth{Activity: make([]string, 43200)}
		for i := range v.Activity {
			v.Activity[i] = "cutting"
		}
		for at := 1000.0; at < 42000; at += 4000 {
			v.Intervals = append(v.Intervals, virtual.Interval{Kind: "rotor-slowing", Began: at, Ended: at + 4, GreyBefore: 1, GreyAfter: 2})
		}
		card := Match(v, alerts, UsualDeadlines())
		return card.of("rotor-slowing")
	}
	if silent := run(nil); silent.Missed() != 11 {
		t.Errorf("silent: %+v", silent)
	}
	var minutely, random []Alert
	for at := 30.0; at < 43200; at += 60 {
		minutely = append(minutely, Alert{Kind: "rotor-slowing", Raised: at})
	}
	x := uint64(12345)
	for range 11 {
		x = x*6364136223846793005 + 1442695040888963407
		random = append(random, Alert{Kind: "rotor-slowing", Raised: float64(x>>33) / (1 << 31) * 43200})
	}
	for name, alerts := range map[string][]Alert{"once a minute": minutely, "at random": random} {
		c := run(alerts)
		if p, _ := c.Precision(false); p > 0.05 {
			t.Errorf("%s: precision %.2f", name, p)
		}
	}
}

func TestReadEvents(t *testing.T) {
	const text = `{"schema":1,"id":"e1-1","kind":"fault-code","priority":"low","activity":"cutting","began":"2024-07-30T08:00:10.000Z","raised":"2024-07-30T08:00:10.500Z","ended":null,"duration_s":null,"signal":null,"peak":null,"evidence":{"spn":110,"fmi":16,"source_address":0},"latitude":null,"longitude":null,"text":"x"}

{"schema":1,"id":"e1-2","kind":"signal-silent","began":"2024-07-30T08:01:00.000Z","raised":"2024-07-30T08:01:05.000Z","ended":"2024-07-30T08:02:00.000Z","signal":"coolant_c","evidence":{"silence_s":5}}
`
	events, err := ReadEvents(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2024, 7, 30, 8, 0, 0, 0, time.UTC)
	got := events.Alerts(start)
	want := []Alert{{Kind: "fault-code", Subject: "110-16@0", Began: 10, Raised: 10.5, Open: true},
		{Kind: "signal-silent", Subject: "coolant_c", Began: 60, Raised: 65, Ended: 120}}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%+v", got)
	}
	if events.CountedFromZero() {
		t.Error("2024 is not counted from zero")
	}
	for _, wrong := range []string{"{", `{"kind":"x"}`, `{"raised":"2024-07-30T08:01:05.000Z"}`, `[]`, `{"kind":"x","raised":"yesterday"}`} {
		if _, err := ReadEvents(strings.NewReader(wrong)); err == nil {
			t.Errorf("%s was read", wrong)
		}
	}
}

func TestReadTruth(t *testing.T) {
	truth, err := ReadTruth(strings.NewReader(`{"intervals":[{"kind":"feed-drop","began_s":3,"ended_s":9,"grey_before_s":1,"grey_after_s":2}],"quiet":[[10,20]]}`))
	if err != nil || len(truth.Intervals) != 1 || truth.Quiet[0] != [2]float64{10, 20} {
		t.Errorf("%+v %v", truth, err)
	}
	for _, wrong := range []string{"", "[]", `{"intervals":[{"began_s":1}]}`, `{"intervals":[{"kind":"x","began_s":5,"ended_s":4}]}`, `{"doubtful":[{"kind":"x","began_s":-5,"ended_s":4}]}`} {
		if _, err := ReadTruth(strings.NewReader(wrong)); err == nil {
			t.Errorf("%q was read", wrong)
		}
	}
}

// bars are what the smaller part of the suite has to reach in every test run.
// The whole of it, and seeds that nothing was tuned on, are for chaffinch score
// --suite; the figures are in DEVELOPERS.md.
func TestSuiteSmallPart(t *testing.T) {
	total := Card{}
	right, all := 0, 0
	var first *Result
	err := RunAll(context.Background(), Suite(1, 9, 1), func(r *Result) error {
		if first == nil {
			first = r
		}
		r.Card.List(testLog{t}, "seed "+strconv.FormatUint(r.Seed, 10)+": ", &r.Truth)
		total.Add(&r.Card)
		right, all = right+r.RightSeconds, all+r.Seconds
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	events, found, missed, falses := 0, 0, 0, 0
	for i := range total.Tallies {
		c := &total.Tallies[i]
		events, found, missed, falses = events+c.Events, found+c.Found, missed+c.Missed(), falses+c.False
	}
	if events < 20 {
		t.Errorf("only %d troubles: this tests nothing", events)
	}
	if missed > events/20 || falses > 1 {
		t.Errorf("of %d troubles %d were missed, %d alarms were false", events, missed, falses)
	}
	if total.InQuiet > 0 {
		t.Errorf("%d alarms where nothing at all should be", total.InQuiet)
	}
	if rotor := total.of("rotor-slowing"); quantile(rotor.Delays, 0.95) > 1.0 {
		t.Errorf("rotor-slowing after %.2f s", quantile(rotor.Delays, 0.95))
	}
	if share := float64(right) / float64(all); share < 0.96 {
		t.Errorf("activity right in %.1f %%", 100*share)
	}
	var table, object bytes.Buffer
	total.Complete()
	total.Write(&table)
	for line := range strings.Lines(table.String()) {
		if len(strings.TrimRight(line, "\n")) > 80 {
			t.Errorf("wider than 80: %q", line)
		}
	}
	if err := total.WriteJSON(&object); err != nil || !json.Valid(object.Bytes()) {
		t.Errorf("%v %s", err, object.Bytes())
	}
	for _, k := range detect.Kinds() {
		if has := strings.Contains(table.String(), "\n"+k.Name); has == (k.Speaks == detect.OfProgram) {
			t.Errorf("%s: in the table %v", k.Name, has)
		}
	}
	// The same harvest gives the same card.
	again, err := Run(first.Case, nil)
	if err != nil || len(again.Alerts) != len(first.Alerts) {
		t.Errorf("a second run differs: %v", err)
	}
}

type testLog struct{ t *testing.T }

func (l testLog) Write(p []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
}

func TestPictureIsWellFormed(t *testing.T) {
	var out bytes.Buffer
	if err := Picture(&out, Suite(6, 6, 0.5)[0]); err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"feed rate", "t/h", "engine load", "rotor speed", "rpm", "ground speed", "km/h", "loss levels", "min from the start", "<path"} {
		if !strings.Contains(out.String(), words) {
			t.Errorf("no %q in the picture", words)
		}
	}
	for _, outside := range []string{"href", "url(", "@import", "<script"} {
		if strings.Contains(out.String(), outside) {
			t.Errorf("%q in the picture", outside)
		}
	}
	d := xml.NewDecoder(&out)
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}
