package score

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
)

// Share of the sorted values that lie at or under the result.
func quantile(values []float64, share float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(values))
	return sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]
}

// shift is the hours to which false alarms are put.
const shift = 12

// falsePerShift is the rate of false alarms with its exact 95 % interval.
func falsePerShift(n int, hours float64) (rate, low, high float64) {
	if hours <= 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	a, b := PoissonInterval(n)
	k := shift / hours
	return float64(n) * k, a * k, b * k
}

// Write prints the card for a terminal of 80 columns.
func (c *Card) Write(w io.Writer) {
	fmt.Fprintf(w, "%-20s %4s %5s %5s %4s %5s %4s %6s %6s %5s %5s\n",
		"kind", "true", "blind", "found", "late", "false", "more", "recall", "prec.", "delay", "p95")
	falses := 0
	for i := range c.Tallies {
		t := &c.Tallies[i]
		falses += t.False
		recall, known := t.Recall()
		precision, raised := t.Precision(false)
		fmt.Fprintf(w, "%-20s %4d %5d %5d %4d %5d %4d %6s %6s %5s %5s\n", t.Kind, t.Events, t.Blind, t.Found, t.Late, t.False, t.Duplicates,
			three(recall, known), three(precision, raised), one(quantile(t.Delays, 0.5)), one(quantile(t.Delays, 0.95)))
	}
	rate, low, high := falsePerShift(falses, c.WorkHours)
	fmt.Fprintf(w, "%.1f h of work; %d false alarms of all kinds: %s in 12 h (95 %%: %s to %s)\n",
		c.WorkHours, falses, two(rate), two(low), two(high))
	fmt.Fprintf(w, "%d of them where nothing at all should be; at most %d alarms in ten minutes\n", c.InQuiet, c.WorstTen)
	fmt.Fprint(w, `delay, p95: s from the beginning of a trouble to its alarm, median and 95 %
blind: troubles in which the alarm said that it could not judge; in no recall
more: further alarms of one trouble; they are in no precision
alarms where the truth itself is in doubt count nowhere
`)
}

func three(v float64, known bool) string {
	if !known {
		return "-"
	}
	return fmt.Sprintf("%.3f", v)
}

func one(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.1f", v)
}

func two(v float64) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.2f", v)
}

// row is a kind in JSON. What is not known is null.
type row struct {
	Kind                    string   `json:"kind"`
	Events                  int      `json:"true"`
	Blind                   int      `json:"blind"`
	Found                   int      `json:"found"`
	Late                    int      `json:"late"`
	Missed                  int      `json:"missed"`
	False                   int      `json:"false"`
	Duplicates              int      `json:"duplicates"`
	Doubtful                int      `json:"doubtful"`
	Recall                  *float64 `json:"recall"`
	Precision               *float64 `json:"precision"`
	PrecisionWithDuplicates *float64 `json:"precision_with_duplicates"`
	F1                      *float64 `json:"f1"`
	DelayMedian             *float64 `json:"delay_median_s"`
	Delay90                 *float64 `json:"delay_p90_s"`
	Delay95                 *float64 `json:"delay_p95_s"`
	DelayMax                *float64 `json:"delay_max_s"`
	FalsePer12H             *float64 `json:"false_per_12h"`
	FalseLow                *float64 `json:"false_per_12h_low"`
	FalseHigh               *float64 `json:"false_per_12h_high"`
}

func known(v float64, ok bool) *float64 {
	if !ok || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = math.Round(v*1e6) / 1e6
	return &v
}

// WriteJSON writes the card as one JSON object.
func (c *Card) WriteJSON(w io.Writer) error {
	out := struct {
		WorkHours float64 `json:"work_h"`
		InQuiet   int     `json:"false_in_quiet"`
		WorstTen  int     `json:"worst_ten_minutes"`
		Kinds     []row   `json:"kinds"`
	}{c.WorkHours, c.InQuiet, c.WorstTen, []row{}}
	for i := range c.Tallies {
		t := &c.Tallies[i]
		r := row{Kind: t.Kind, Events: t.Events, Blind: t.Blind, Found: t.Found, Late: t.Late, Missed: t.Missed(),
			False: t.False, Duplicates: t.Duplicates, Doubtful: t.Doubtful,
			Recall: known(t.Recall()), Precision: known(t.Precision(false)),
			PrecisionWithDuplicates: known(t.Precision(true)), F1: known(t.F1()),
			DelayMedian: known(quantile(t.Delays, 0.5), true), Delay90: known(quantile(t.Delays, 0.9), true),
			Delay95: known(quantile(t.Delays, 0.95), true), DelayMax: known(quantile(t.Delays, 1), true)}
		rate, low, high := falsePerShift(t.False, c.WorkHours)
		r.FalsePer12H, r.FalseLow, r.FalseHigh = known(rate, true), known(low, true), known(high, true)
		out.Kinds = append(out.Kinds, r)
	}
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(out)
}
