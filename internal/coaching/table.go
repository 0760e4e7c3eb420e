package coaching

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
)

// Table adds sessions up.
type Table struct {
	Sessions []*Session
}

// Add takes a session.
func (t *Table) Add(s *Session) { t.Sessions = append(t.Sessions, s) }

// Sum is what some sessions come to.
type Sum struct {
	Cases, OverAtFirst, Reached, WithinTargets, NearBest, Worse, FewerOver, Ended, WithinHours int
	Prompts, Hours                                                                             []float64 // sorted
	Backs, Checks                                                                              int
	BegunPct, EndedPct, BestPct                                                                float64 // mean costs
}

// ShiftH is the time within which it should all be over.
const ShiftH = 4.0

// Of sums the sessions of a crop up, of all if it is empty.
func (t *Table) Of(crop string) (sum Sum) {
	for _, s := range t.Sessions {
		if crop != "" && s.Scenario.Crop != crop {
			continue
		}
		sum.Cases++
		sum.OverAtFirst += one(len(s.OverAtFirst) > 0)
		sum.Reached += one(s.Reached())
		sum.WithinTargets += one(len(s.Over) == 0)
		sum.NearBest += one(s.NearBest())
		sum.Worse += one(s.Worse())
		sum.FewerOver += one(s.Worse() && len(s.Over) < len(s.OverAtFirst))
		sum.Ended += one(s.EndedByItself())
		sum.WithinHours += one(s.EndedByItself() && s.NeededH <= ShiftH)
		sum.Prompts = append(sum.Prompts, float64(s.Prompts))
		sum.Hours = append(sum.Hours, s.NeededH)
		sum.Backs += s.Backs
		sum.Checks += s.Checks
		sum.BegunPct += s.Begun.CostPct
		sum.EndedPct += s.Ended.CostPct
		sum.BestPct += s.Best.CostPct
	}
	n := float64(max(sum.Cases, 1))
	sum.BegunPct, sum.EndedPct, sum.BestPct = sum.BegunPct/n, sum.EndedPct/n, sum.BestPct/n
	slices.Sort(sum.Prompts)
	slices.Sort(sum.Hours)
	return sum
}

func one(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// Quantile is the value that a share of sorted values does not go over.
func Quantile(sorted []float64, share float64) float64 {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[max(0, int(math.Ceil(share*float64(len(sorted))))-1)]
}

// Rates are how verdicts compare with the truth.
type Rates struct {
	Judged, Unjudged int // all verdicts; those that say that nothing can be told
	Same, False      int // nothing was changed at all; told as better or worse
	Large, Seen      int // a change of LargePct at least, up or down; told as such
	Against          int // told as its opposite
	Early            int // as large, but given up and put back for another level before it could be told
}

// LargePct is a change of a sensor's level that has to be seen.
const LargePct = 40

// told is what a verdict says of the symptom: -1 better, 1 worse, 0 neither.
func (v *Trial) told() int {
	switch v.Outcome {
	case judge.Better.String():
		return -1
	case judge.Worse.String():
		return 1
	}
	return 0
}

// counts tells whether a verdict of a machine of which nothing is moved can be
// wrong: how fast he drove is told as well, and that did change.
func (v *Trial) counts() bool { return v.Symptom != knowledge.SpareCapacity }

// wrong tells whether it says better or worse, of the symptom or of a side.
func (v *Trial) wrong() bool { return v.told() != 0 || v.Side }

// large is a change that has to be seen; one that is not known is none.
func (v *Trial) large() bool { return math.Abs(v.TruePct) >= LargePct }

// early tells whether it was given up for what it did to another level, before
// anything could be told of its symptom.
func (v *Trial) early() bool { return v.told() == 0 && v.Side && v.PutBack }

// seen tells whether a change was told as what it is.
func (v *Trial) seen() bool { return float64(v.told())*v.TruePct > 0 }

// Rates holds the verdicts against the truth.
func (t *Table) Rates() (r Rates) {
	for _, s := range t.Sessions {
		for i := range s.Trials {
			v := &s.Trials[i]
			r.Judged++
			r.Unjudged += one(v.Outcome == judge.CouldNotJudge.String())
			switch {
			case s.Kind == Unmoved:
				r.Same += one(v.counts())
				r.False += one(v.counts() && v.wrong())
			case v.large() && v.early():
				r.Early++
			case v.large():
				r.Large++
				r.Seen += one(v.seen())
				r.Against += one(float64(v.told())*v.TruePct < 0)
			}
		}
	}
	return r
}

// Write prints the table.
func (t *Table) Write(w io.Writer) {
	fmt.Fprintln(w, "               over a  reached                 left  came to  prompts        put    hours           cost, % of the crop")
	fmt.Fprintln(w, "crop    cases  target  or best  targets  best  worse  an end  median  90 %   back   median  90 %    begun  ended   best")
	for _, crop := range append(Crops[:], "") {
		s := t.Of(crop)
		if s.Cases == 0 {
			continue
		}
		name := crop
		if crop == "" {
			name = "all"
		}
		fmt.Fprintf(w, "%-8s %4d  %6d  %7d  %7d  %4d  %5d  %6d  %6.0f  %4.0f   %4d   %6.1f  %4.1f   %6.2f %6.2f %6.2f\n",
			name, s.Cases, s.OverAtFirst, s.Reached, s.WithinTargets, s.NearBest, s.Worse, s.Ended,
			Quantile(s.Prompts, 0.5), Quantile(s.Prompts, 0.9), s.Backs, Quantile(s.Hours, 0.5), Quantile(s.Hours, 0.9),
			s.BegunPct, s.EndedPct, s.BestPct)
	}
}

// List prints a line for each session.
func (t *Table) List(w io.Writer) {
	for _, s := range t.Sessions {
		flags := ""
		for _, f := range []struct {
			is   bool
			name string
		}{{!s.Reached(), " not-reached"}, {s.Worse(), " worse"}, {!s.EndedByItself(), " still-asking"}} {
			if f.is {
				flags += f.name
			}
		}
		fmt.Fprintf(w, "%d %s %s, %s, limits %d: %d prompts and %d back, %.1f h of %.1f, cost %.2f to %.2f (best %.2f), over [%s] to [%s], to the adviser [%s]%s\n",
			s.Seed, s.Scenario.Machine, s.Scenario.Crop, settingsText(s.Scenario.Settings), len(s.Scenario.Limits), s.Prompts, s.Backs, s.NeededH, s.SpentH,
			s.Begun.CostPct, s.Ended.CostPct, s.Best.CostPct,
			strings.Join(s.OverAtFirst, " "), strings.Join(s.Over, " "), strings.Join(s.Left, " "), flags)
		for i := range s.Trials {
			v := &s.Trials[i]
			why := ""
			switch {
			case s.Kind == Unmoved && v.counts() && v.wrong():
				why = "nothing was moved"
			case s.Kind != Unmoved && v.large() && !v.early() && !v.seen():
				why = fmt.Sprintf("truly %+.0f %%", v.TruePct)
			default:
				continue
			}
			fmt.Fprintf(w, "  %.2f h, %s %s against %s, by %s: %s (%s)\n", v.At.Seconds()/3600, v.Lever, v.Direction, v.Symptom, v.By, v.Text, why)
		}
	}
}

func settingsText(settings map[string]float64) string {
	if len(settings) == 0 {
		return "set as usual"
	}
	var parts []string
	for name, v := range settings {
		parts = append(parts, fmt.Sprintf("%s %.4g", strings.ReplaceAll(name, "_", " "), v))
	}
	slices.Sort(parts)
	return "set to " + strings.Join(parts, ", ")
}
