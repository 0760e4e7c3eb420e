package knowledge_test

import (
	"slices"
	"strings"
	"testing"

	"chaffinch/configs"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
)

// everywhere calls f for each symptom, crop and header.
func everywhere(f func(symptom, crop, header string)) {
	for _, symptom := range knowledge.Symptoms() {
		for _, crop := range configs.Crops("") {
			for _, header := range machine.HeaderKinds() {
				f(symptom, crop, header)
			}
		}
	}
}

func TestWhatTheProgramKnowsIsGood(t *testing.T) {
	for _, p := range config.DefaultAdvice().Validate() {
		t.Error(p)
	}
}

// Whatever is wrong in whatever crop, there is something to do from the seat of
// any machine, and in the end the list owns up that settings are not all.
func TestEverySymptomLeadsSomewhere(t *testing.T) {
	b := config.DefaultAdvice()
	everywhere(func(symptom, crop, header string) {
		moves := b.Moves(symptom, crop, header)
		if len(moves) < 2 {
			t.Fatalf("%s in %s with %s: %d moves", symptom, crop, header, len(moves))
		}
		if !slices.ContainsFunc(moves, func(m knowledge.Move) bool {
			// Driving faster is the one that needs to know something first.
			known := m.Unconditional() || symptom == knowledge.SpareCapacity && slices.Equal(m.When, []string{knowledge.LossLow})
			return known && b.LeverNamed(m.Lever).From == knowledge.FromSeat && (m.Direction == knowledge.Up || m.Direction == knowledge.Down)
		}) {
			t.Errorf("%s in %s with %s: nothing from the seat", symptom, crop, header)
		}
		if last := moves[len(moves)-1]; last.Direction != knowledge.Look && last.Direction != knowledge.Wait {
			t.Errorf("%s in %s with %s ends with %s %s", symptom, crop, header, last.Lever, last.Direction)
		}
		for _, m := range moves {
			if m.Steps <= 0 {
				t.Errorf("%s in %s: %s has %g steps", symptom, crop, m.Lever, m.Steps)
			}
		}
	})
}

// A move for one symptom that brings on another, whose unconditional remedy is
// the same lever the other way, would be taken back and made again for ever.
// Counted here by brute force: both sides must name each other.
func TestEveryOppositePairIsDeclared(t *testing.T) {
	b := config.DefaultAdvice()
	type side struct{ symptom, lever, direction string }
	pairs := map[[2]side]bool{}
	everywhere(func(x, crop, header string) {
		for _, y := range knowledge.Symptoms() {
			if x == y {
				continue
			}
			for _, m := range b.Moves(x, crop, header) {
				remedies := b.Moves(y, crop, header)
				if y != knowledge.SpareCapacity { // all of whose moves have conditions
					remedies = slices.DeleteFunc(remedies, func(n knowledge.Move) bool { return len(n.When) > 0 })
				}
				for _, n := range remedies {
					opposite := m.Direction == "up" && n.Direction == "down" || m.Direction == "down" && n.Direction == "up"
					if m.Lever != n.Lever || !opposite {
						continue
					}
					pairs[[2]side{{x, m.Lever, m.Direction}, {y, n.Lever, n.Direction}}] = true
					if !slices.Contains(m.Risks, y) {
						t.Errorf("%s: %s %s does not name %s, which takes it back in %s", x, m.Lever, m.Direction, y, crop)
					}
					if !slices.Contains(n.Risks, x) {
						t.Errorf("%s: %s %s does not name %s, which takes it back in %s", y, n.Lever, n.Direction, x, crop)
					}
					if !slices.Contains(b.Undone(x, &m, crop, header), y) {
						t.Errorf("%s: Undone misses %s by %s", x, y, n.Lever)
					}
				}
			}
		}
	})
	t.Logf("%d opposite pairs", len(pairs))
	for _, want := range [][2]side{
		{{"separation-loss", "rotor_speed", "up"}, {"broken-grain", "rotor_speed", "down"}},
		{{"broken-grain", "concave", "up"}, {"unthreshed", "concave", "down"}},
		{{"separation-loss", "cut_height", "up"}, {"header-loss", "cut_height", "down"}},
		{{"engine-load", "ground_speed", "down"}, {"spare-capacity", "ground_speed", "up"}},
		{{"cleaning-loss", "upper_sieve", "up"}, {"trash", "upper_sieve", "down"}},
		{{"trash", "fan_speed", "up"}, {"cleaning-loss", "fan_speed", "down"}},
	} {
		if !pairs[want] {
			t.Errorf("%v is no pair: is the test blind?", want)
		}
	}
}

// A verdict can watch six levels beside the symptom: no move names more risks
// than that which a machine can measure.
func TestRisksCanAllBeWatched(t *testing.T) {
	measured := []string{knowledge.SeparationLoss, knowledge.CleaningLoss, knowledge.CropLoss, knowledge.Returns,
		knowledge.BrokenGrain, knowledge.Trash, knowledge.EngineLoad}
	for _, s := range config.DefaultAdvice().Symptom {
		for i, m := range s.Move {
			n := 0
			for _, r := range m.Risks {
				if slices.Contains(measured, r) {
					n++
				}
			}
			if n > 6 {
				t.Errorf("%s: move %d has %d measured risks", s.Name, i+1, n)
			}
		}
	}
}

// Whatever is worked by hand says first how the machine is made safe, and
// nothing leads anybody through clearing a plug or stopping a full machine.
func TestNothingDangerousIsSaid(t *testing.T) {
	b := config.DefaultAdvice()
	never := []string{"unplug", "unblock", "clear the", "reverse", "power stop", "power-stop", "kill", "shut down under load",
		"while running", "hand in", "poke", "bypass", "disconnect", "guard off", "climb onto"}
	for _, s := range b.Symptom {
		for i := range s.Move {
			m := &s.Move[i]
			l := b.LeverNamed(m.Lever)
			p := b.Prompt(m, l.StepWords, l.From != knowledge.FromSeat)
			all := strings.ToLower(strings.Join(append([]string{p.Head, p.Reason, p.Risk}, p.Cautions...), " "))
			for _, word := range never {
				if strings.Contains(all, word) {
					t.Errorf("%s: move %d says %q: %s", s.Name, i+1, word, all)
				}
			}
			if l.From != knowledge.FromSeat {
				for _, word := range []string{"engine off", "key out", "wait until all has stopped"} {
					if !strings.Contains(all, word) {
						t.Errorf("%s: move %d does not say %q", s.Name, i+1, word)
					}
				}
			}
		}
	}
	first := b.Moves(knowledge.RotorSag, "wheat", "grain")[0]
	if p := b.Prompt(&first, "", false); !strings.Contains(strings.Join(p.Cautions, ""), "If it plugs: engine off, key out, wait") {
		t.Errorf("a slowing rotor does not tell what to do when it plugs: %v", p)
	}
}

// A step in numbers may be five words long: from 880 to 840 rpm.
func TestHeadsFitAGlance(t *testing.T) {
	b := config.DefaultAdvice()
	for _, s := range b.Symptom {
		for i := range s.Move {
			m := &s.Move[i]
			l := b.LeverNamed(m.Lever)
			tails := []string{l.StepWords}
			if l.Step > 0 {
				tails = append(tails, "from 880 to 840 "+l.Unit)
			}
			for _, tail := range tails {
				p := b.Prompt(m, tail, true)
				if n := len(strings.Fields(p.Head)); n == 0 || n > 12 {
					t.Errorf("%s: move %d has a head of %d words: %s", s.Name, i+1, n, p.Head)
				}
				for _, words := range []string{p.Reason, p.Risk} {
					if words != "" && (!strings.HasSuffix(words, ".") || strings.Contains(words, "..") || len(words) > 110) {
						t.Errorf("%s: move %d: %q", s.Name, i+1, words)
					}
				}
			}
		}
	}
}

// The steps of harvest practice (common practice, no source).
func TestSteps(t *testing.T) {
	b := config.DefaultAdvice()
	for _, c := range []struct {
		lever, crop   string
		present       float64
		least, atMost float64
	}{
		{"ground_speed", "wheat", 0, 0.3, 0.5}, {"ground_speed", "wheat", 5, 0.3, 0.5}, {"ground_speed", "wheat", 8, 0.4, 0.8},
		{"rotor_speed", "wheat", 800, 20, 40}, {"rotor_speed", "maize", 350, 20, 40}, {"rotor_speed", "wheat", 1100, 30, 50},
		{"concave", "canola", 12, 2, 3}, {"concave", "maize", 25, 3, 5}, {"fan_speed", "wheat", 900, 30, 50},
		{"fan_speed", "canola", 700, 15, 25}, {"upper_sieve", "wheat", 15, 1, 2}, {"upper_sieve", "canola", 7, 0.5, 1},
		{"lower_sieve", "wheat", 8, 1, 1}, {"lower_sieve", "canola", 4, 0.5, 0.5}, {"cut_height", "wheat", 200, 50, 50},
		{"cut_height", "soybean", 60, 10, 30}, {"deck_plates", "maize", 0, 1.5, 1.6}, {"reel", "wheat", 0, 0, 0},
	} {
		l := b.LeverNamed(c.lever)
		steps := 1.0
		if f := l.CropSteps[c.crop]; f > 0 {
			steps = f
		}
		if got := l.Amount(steps, c.present); got < c.least || got > c.atMost {
			t.Errorf("%s in %s at %g: step %g, want %g to %g", c.lever, c.crop, c.present, got, c.least, c.atMost)
		}
	}
	if l := b.LeverNamed("rotor_speed"); l.By(l.Amount(1, 1000)) != "by 40 rpm" || l.By(0) != "by one small step" {
		t.Error(l.By(l.Amount(1, 1000)), l.By(0))
	}
	for _, m := range b.Moves(knowledge.CleaningLoss, "canola", "grain") {
		if strings.Contains("fan_speed upper_sieve lower_sieve", m.Lever) && m.Steps != 0.5 {
			t.Errorf("canola: %s goes by %g steps, want halves", m.Lever, m.Steps)
		}
	}
}

// Every source that the list names is used, so that none is there for show.
func TestEverySourceIsUsed(t *testing.T) {
	b := config.DefaultAdvice()
	used := map[string]bool{}
	for _, s := range b.Symptom {
		for _, m := range s.Move {
			for _, name := range m.Sources {
				used[name] = true
			}
		}
	}
	for _, l := range b.Lever {
		used[l.Source] = true
	}
	for _, s := range b.Source {
		if !used[s.Name] {
			t.Errorf("%s is named by no move", s.Name)
		}
	}
	if len(knowledge.Conditions()) != 21 {
		t.Errorf("%d conditions", len(knowledge.Conditions()))
	}
	for _, name := range knowledge.Conditions() {
		if knowledge.ConditionWords(name) == "" {
			t.Errorf("%s has no words", name)
		}
	}
}
