package report

import (
	"strings"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect/shift"
	"chaffinch/store/export"
)

// Figures that only say that nothing can be said are left to the log.
func TestAVerdictIsToldWithFiguresThatTellSomething(t *testing.T) {
	v := func(change float64, low, high *float64) *export.Verdict {
		return &export.Verdict{Symptom: "cleaning-loss", Outcome: "no clear change", ChangePct: &change, LowPct: low, HighPct: high, Text: "as told"}
	}
	at := func(x float64) *float64 { return &x }
	const vague = "No clear change: cleaning loss varied too much to tell."
	better := v(-40, at(-300), at(20))
	better.Outcome = "better"
	for _, c := range []struct {
		name string
		v    *export.Verdict
		want string
	}{
		{"narrow", v(5, at(-11), at(21)), "as told"},
		{"wide", v(33, at(-100), at(809)), vague},
		{"without an end", v(116, at(-100), nil), vague},
		{"another outcome", better, "as told"},
		{"without figures", &export.Verdict{Outcome: "no clear change", Text: "as told"}, "as told"},
	} {
		if got := found(c.v); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// Who adds up the lines of the time and looks at first and last work finds a
// difference: it is explained where it shows.
func TestTimeThatWasNotHeardIsTold(t *testing.T) {
	for _, c := range []struct {
		s    float64
		want bool
	}{{1140, true}, {3, false}} {
		var out strings.Builder
		r := report{Shift: &shift.Summary{}}
		r.Shift.Total.Times.UnheardS = c.s
		if err := page.Execute(&out, &r); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(out.String(), "For another 0:19 h of the shift nothing was heard"); got != c.want {
			t.Errorf("%g s that were not heard: told %v", c.s, got)
		}
	}
}

// A gallon an acre is not called fuel on a hectare.
func TestFuelIsOnWhatItsUnitSays(t *testing.T) {
	some := &shift.Amount{Value: 1}
	for units, not := range map[signal.System][]string{signal.US: {"hectare", "tonne"}, signal.Metric: {"acre", "on a ton<"}} {
		var out strings.Builder
		r := report{Units: units, Shift: &shift.Summary{Total: shift.Totals{LPerHa: some, LPerT: some}}}
		r.Shift.Fields = []shift.Field{{}, {}}
		r.figures()
		if err := page.Execute(&out, &r); err != nil {
			t.Fatal(err)
		}
		for _, word := range not {
			if strings.Contains(out.String(), word) {
				t.Errorf("%s units have %q in them", units, word)
			}
		}
	}
}
