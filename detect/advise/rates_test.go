package advise

import (
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/knowledge"
)

// How often is a verdict wrong, and how often is a good step seen? The machine
// is the tests' own, with noise and correlation of the trade's loss sensors;
// the density of the crop wanders, and the field has turns and standstills. A
// change of a setting does to separation loss what `times` says, and nothing
// else. Broken grain and cleaning loss are watched beside it.
func TestHowOftenVerdictsAreRight(t *testing.T) {
	runs := 150
	if testing.Short() {
		runs = 40
	}
	for _, c := range []struct {
		name  string
		times float64
		right func(v *Verdict) bool
		least float64
	}{
		{"nothing has changed", 1, func(v *Verdict) bool { return v.Outcome != "better" && v.Outcome != "worse" && v.Side == "" }, 0.95},
		{"it has fallen by 40 %", 0.6, func(v *Verdict) bool { return v.Outcome == "better" }, 0.9},
		{"it has risen by 40 %", 1.4, func(v *Verdict) bool { return v.Outcome == "worse" }, 0.9},
	} {
		t.Run(c.name, func(t *testing.T) {
			right, judged, tally := 0, 0, map[string]int{}
			seconds := 0.0
			for seed := range uint64(runs) {
				p := newPlayer(seed+1, Facts{})
				p.operator = nil
				p.w.second = int(seed*37) % 800
				p.w.levels = func(w *world) map[signal.ID]float64 {
					m := map[signal.ID]float64{
						signal.SeparationLoss.ID: 35 * math.Pow(w.feed()/25, 2),
						signal.CleaningLoss.ID:   15 * math.Pow(w.feed()/25, 2),
						signal.BrokenGrain.ID:    8,
					}
					if w.set["rotor_speed_rpm"] > 820 {
						m[signal.SeparationLoss.ID] *= c.times
					}
					return m
				}
				p.play(8 * time.Minute)
				p.w.set["rotor_speed_rpm"] = 850
				p.play(25 * time.Minute)
				for _, n := range p.notes {
					if n.Kind == VerdictGiven && n.Verdict.Lever == "rotor_speed" && n.Verdict.Direction == knowledge.Up {
						judged++
						tally[n.Verdict.Outcome]++
						seconds += n.Verdict.JudgedS
						if c.right(n.Verdict) {
							right++
						}
						break
					}
				}
			}
			share := float64(right) / float64(max(judged, 1))
			t.Logf("%d of %d right (%.1f %%), %.0f s judged on average: %v", right, judged, 100*share, seconds/float64(max(judged, 1)), tally)
			if judged < runs*9/10 {
				t.Errorf("only %d of %d were judged", judged, runs)
			}
			if share < c.least {
				t.Errorf("%.1f %% are right, should be %.0f", 100*share, 100*c.least)
			}
		})
	}
}
