package coaching

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"chaffinch/canbus/virtual"
)

func play(t *testing.T, cases []Case) *Table {
	t.Helper()
	var table Table
	err := RunAll(context.Background(), cases, func(s *Session) error {
		table.Add(s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return &table
}

// Who follows the prompts gets there, with few of them, and is then left in
// peace. The whole list is played by chaffinch score --advice.
func TestFollowingThePromptsGetsThere(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays whole shifts")
	}
	table := play(t, Cases(20, 29, BadlySet)) // two of each crop
	all, rates := table.Of(""), table.Rates()
	t.Logf("%+v\n%+v", all, rates)
	if all.OverAtFirst < 7 {
		t.Errorf("only %d of %d are over a target at first", all.OverAtFirst, all.Cases)
	}
	if all.Reached < all.Cases-1 {
		t.Errorf("%d of %d reach all targets or nearly the best", all.Reached, all.Cases)
	}
	if all.Worse > 0 {
		t.Errorf("%d are left worse than they were", all.Worse)
	}
	if all.Ended < all.Cases-1 {
		t.Errorf("%d of %d come to an end", all.Ended, all.Cases)
	}
	if got := Quantile(all.Prompts, 0.5); got > 5 || all.Prompts[len(all.Prompts)-1] == 0 {
		t.Errorf("%v prompts", all.Prompts)
	}
	if all.WithinHours < all.Cases-1 {
		t.Errorf("%v h", all.Hours)
	}
	if rates.Against > 0 || rates.Judged < 15 {
		t.Errorf("of %d changes of %d %% or more, %d were taken for the opposite; %d were judged", rates.Large, LargePct, rates.Against, rates.Judged)
	}
	if !(all.EndedPct < all.BegunPct-1) {
		t.Errorf("costs went from %.2f to %.2f %%", all.BegunPct, all.EndedPct)
	}
	for _, s := range table.Sessions {
		if s.Prompts > 0 && len(s.Lines) < 3 {
			t.Errorf("seed %d: %d lines", s.Seed, len(s.Lines))
		}
		// A machine that is over a target hears of it.
		if len(s.OverAtFirst) > 0 && s.Prompts == 0 && !s.Reached() {
			t.Errorf("seed %d: over %v, and nothing was asked", s.Seed, s.OverAtFirst)
		}
	}
}

// Where an operator only says that he has done it, and no bus tells, hardly
// anything is said to have become better or worse.
func TestWhatIsNotMovedIsNotSaidToHelp(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays whole shifts")
	}
	table := play(t, Cases(20, 24, Unmoved))
	r := table.Rates()
	t.Logf("%+v", r)
	if r.Same < 20 {
		t.Errorf("only %d verdicts", r.Same)
	}
	if r.False > r.Same/10 { // of the whole list it is 5 %
		t.Errorf("%d of %d verdicts said better or worse", r.False, r.Same)
	}
	for _, s := range table.Sessions {
		for name, v := range s.Scenario.Settings {
			if got := s.Ended.Settings[name]; got != v {
				t.Errorf("seed %d: %s went from %g to %g", s.Seed, name, v, got)
			}
		}
	}
}

// An operator with a heavy hand moves a lever further, within its range, and so
// far a change is hardly ever missed and never taken for its opposite.
func TestLargeChangesAreSeen(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays whole shifts")
	}
	table := play(t, Cases(20, 23, HeavyHanded))
	r := table.Rates()
	t.Logf("%+v", r)
	if r.Large < 5 {
		t.Errorf("only %d large changes", r.Large)
	}
	if r.Seen < r.Large*8/10 || r.Against > 0 { // of the whole list it is nine in ten
		t.Errorf("of %d large changes %d were seen, %d taken for the opposite", r.Large, r.Seen, r.Against)
	}
	for _, s := range table.Sessions {
		for name, v := range s.Ended.Settings {
			low, high := virtual.New(s.Scenario, s.Seed).Range(name)
			if !(v >= low-1e-9 && v <= high+1e-9) && name != "ground_speed" {
				t.Errorf("seed %d: %s is %g, of %g to %g", s.Seed, name, v, low, high)
			}
		}
	}
}

// Where concave and sieves are set by hand, their prompts wait for a stop and say by
// how much, and following them gets there too.
func TestWhatIsSetByHandWaitsForAStop(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays whole shifts")
	}
	table := play(t, Cases(22, 26, HandSet))
	all := table.Of("")
	t.Logf("%+v", all)
	if all.Worse > 0 || all.Reached < all.Cases-1 || !(all.EndedPct < all.BegunPct-0.5) {
		t.Errorf("%d of %d left worse, %d reach their targets, costs from %.2f to %.2f %%", all.Worse, all.Cases, all.Reached, all.BegunPct, all.EndedPct)
	}
	byHand := 0
	for _, s := range table.Sessions {
		for _, l := range s.Lines {
			for _, lever := range []string{"concave", "upper sieve", "lower sieve"} {
				if l.Mark != '?' || !strings.Contains(l.Text, "the "+lever+" ") {
					continue
				}
				byHand++
				if !strings.Contains(l.Text, " mm. ") || !strings.Contains(l.Text, "key out") {
					t.Errorf("seed %d: %q says neither by how much nor to stop the engine", s.Seed, l.Text)
				}
			}
		}
	}
	if byHand < 4 {
		t.Errorf("only %d prompts for what is set by hand", byHand)
	}
}

// The operator does what is asked and the machine has, and a case is the same
// every time.
func TestASessionIsTheSameEveryTime(t *testing.T) {
	c := Cases(45, 45, BadlySet)[0]
	var said [2]string
	for i := range said {
		s, err := Run(c)
		if err != nil {
			t.Fatal(err)
		}
		said[i] = fmt.Sprint(s.Lines, s.Ended)
		if len(s.Trials) == 0 || !slices.ContainsFunc(s.Lines, func(l Line) bool { return l.Mark == '>' && strings.HasPrefix(l.Text, "Ground count") }) {
			t.Errorf("the dialogue is %v", s.Lines)
		}
	}
	if said[0] != said[1] {
		t.Errorf("the same case went otherwise:\n%s\n%s", said[0], said[1])
	}
}

// The cases are what they say: of five crops alike, most of them over a target
// or in need of power, every sixth with a limit between what is set and what is
// usual.
func TestCases(t *testing.T) {
	crops := map[string]int{}
	for i, c := range Cases(TuneFrom, TuneTo, BadlySet) {
		crops[c.Scenario.Crop]++
		if wrong := c.Scenario.Validate(); len(wrong) > 0 {
			t.Errorf("case %d: %v", i, wrong[0])
		}
		if len(c.Scenario.Settings) == 0 || len(c.Scenario.Limits) > 0 && c.Seed%6 != 0 {
			t.Errorf("case %d: settings %v, limits %v", i, c.Scenario.Settings, c.Scenario.Limits)
		}
	}
	for _, crop := range Crops {
		if crops[crop] != 12 {
			t.Errorf("%s: %d cases", crop, crops[crop])
		}
	}
}
