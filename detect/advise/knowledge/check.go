package knowledge

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/internal/problem"
)

// The limits of what can be read at a glance.
const (
	maxHead    = 12 // words of a prompt's one line, step included
	maxClause  = 16 // of a reason, and of what it may cost
	maxCaution = 30
	maxMoves   = 60 // of a symptom, all crops together
	// stepWords is room for a step in numbers: "from 880 to 840 rpm".
	stepWords = 5
)

// Validate returns what cannot be, with keys FILE.PATH where FILE is "levers",
// "cautions", "sources" or the name of a symptom. Names of crops are judged by
// whoever knows the profiles.
func (b *Base) Validate() []*problem.Problem {
	c := checker{b: b}
	c.sources()
	c.cautions()
	c.levers()
	c.symptoms()
	if len(c.wrong) == 0 {
		// What follows takes names and directions for good.
		c.whole()
	}
	return c.wrong
}

type checker struct {
	b     *Base
	wrong []*problem.Problem
}

func (c *checker) add(key, what, try string) {
	c.wrong = append(c.wrong, &problem.Problem{Key: key, What: what, Try: try})
}

// oneOf checks a name against those that there are.
func (c *checker) oneOf(key, kind, name string, known []string) bool {
	if slices.Contains(known, name) {
		return true
	}
	c.add(key, fmt.Sprintf("there is no %s %q", kind, name), "there are "+strings.Join(known, ", ")+problem.DidYouMean(name, known))
	return false
}

// names checks that every element of a list has a name of its own.
func (c *checker) names(list string, all []string) {
	for i, name := range all {
		key := fmt.Sprintf("%s.%d", list, i)
		switch {
		case name == "":
			c.add(key, "it has no name", `give it one: name = "..."`)
		case slices.Index(all, name) < i:
			c.add(key+".name", fmt.Sprintf("%q stands here twice", name), "keep one")
		}
	}
}

// text checks words that an operator reads.
func (c *checker) text(key, words string, most int) {
	switch n := len(strings.Fields(words)); {
	case n == 0:
		c.add(key, "there are no words for it", "say it in a few words")
	case n > most:
		c.add(key, fmt.Sprintf("it has %d words", n), fmt.Sprintf("say it in at most %d: it is read at a glance", most))
	}
}

// clause checks words that become part of a sentence.
func (c *checker) clause(key, words string) {
	c.text(key, words, maxClause)
	if words == "" {
		return
	}
	if first := words[:1]; strings.ToLower(first) != first || strings.HasSuffix(words, ".") {
		c.add(key, "it is part of a sentence", "begin it small and leave out the full stop")
	}
}

func namesOf[T any](all []T, of func(*T) string) []string {
	names := make([]string, len(all))
	for i := range all {
		names[i] = of(&all[i])
	}
	return names
}

func (b *Base) sourceNames() []string {
	return namesOf(b.Source, func(s *Source) string { return s.Name })
}

func (b *Base) cautionNames() []string {
	return namesOf(b.Caution, func(c *Caution) string { return c.Name })
}

func (b *Base) leverNames() []string {
	return namesOf(b.Lever, func(l *Lever) string { return l.Name })
}

func (c *checker) sources() {
	c.names("sources.source", c.b.sourceNames())
	for i, s := range c.b.Source {
		c.text(fmt.Sprintf("sources.source.%d.words", i), s.Words, maxCaution)
	}
}

func (c *checker) cautions() {
	c.names("cautions.caution", c.b.cautionNames())
	for i, s := range c.b.Caution {
		c.text(fmt.Sprintf("cautions.caution.%d.words", i), s.Words, maxCaution)
	}
}

// standStill must be in the caution of every lever that is worked by hand.
var standStill = []string{"engine off", "key out", "wait", "stopped"}

func (c *checker) levers() {
	c.names("levers.lever", c.b.leverNames())
	for _, name := range machine.Levers() {
		if c.b.LeverNamed(name) == nil {
			c.add("levers", fmt.Sprintf("the lever %q is missing", name), "every lever that seat_adjustable may list needs its [[lever]]")
		}
	}
	for i := range c.b.Lever {
		c.lever(fmt.Sprintf("levers.lever.%d", i), &c.b.Lever[i])
	}
}

func (c *checker) lever(key string, l *Lever) {
	c.text(key+".words", l.Words, maxHead)
	c.setting(key, l)
	if l.Up == "" && l.Down == "" && l.Look == "" {
		c.add(key, "nothing can be done with it", "give up, down or look")
	}
	tail := len(strings.Fields(l.StepWords))
	if l.Step > 0 {
		tail = max(tail, stepWords)
	}
	for _, words := range []struct {
		leaf, text string
		tail       int
	}{{".up", l.Up, tail}, {".down", l.Down, tail}, {".look", l.Look, 0}} {
		if words.text != "" {
			c.text(key+words.leaf, words.text, maxHead-words.tail)
		}
	}
	for _, t := range []struct {
		leaf     string
		value    float64
		min, max float64
	}{{".settle_s", l.SettleS, 5, 600}, {".judge_s", l.JudgeS, 10, 600}, {".sample_s", l.SampleS, 0, 900}} {
		if t.value < t.min || t.value > t.max {
			c.add(key+t.leaf, fmt.Sprintf("%s is %g", t.leaf[1:], t.value), fmt.Sprintf("give %g to %g seconds", t.min, t.max))
		}
	}
	if !slices.Contains([]string{FromSeat, FromMachine, FromStopped}, l.From) {
		c.add(key+".from", fmt.Sprintf("it cannot be worked from %q", l.From), `give "seat", "machine" or "stopped"`)
	}
	if l.From == FromMachine && !slices.Contains(machine.Levers(), l.Name) {
		c.add(key+".from", "no machine can list it in seat_adjustable", `give "seat" or "stopped"`)
	}
	c.oneOf(key+".source", "source", l.Source, c.b.sourceNames())
	c.handCaution(key, l)
}

// setting checks the numbers of a lever's steps.
func (c *checker) setting(key string, l *Lever) {
	if l.Signal != "" {
		if id, ok := signal.ByName(l.Signal); !ok {
			c.add(key+".signal", fmt.Sprintf("there is no signal %q", l.Signal), "give the signal of its setting, or remove the line")
		} else if unit := id.Info().Unit; l.Unit != unit {
			c.add(key+".unit", fmt.Sprintf("its signal is in %s, not in %q", unit, l.Unit), fmt.Sprintf("give unit = %q and the steps in it", unit))
		}
	}
	for _, n := range []struct {
		leaf       string
		value, max float64
	}{{".step", l.Step, 1000}, {".step_pct", l.StepPct, 25}, {".round", l.Round, 1000}} {
		if n.value < 0 || n.value > n.max {
			c.add(key+n.leaf, fmt.Sprintf("%s is %g", n.leaf[1:], n.value), fmt.Sprintf("give 0 to %g", n.max))
		}
	}
	if l.Step > 0 && l.Unit == "" {
		c.add(key+".unit", "a step needs its unit", `give it: unit = "mm"`)
	}
	if (l.Up != "" || l.Down != "") && l.StepWords == "" {
		c.add(key, "its step has no words", `give step_words, such as "by one notch"`)
	}
	for _, crop := range sorted(l.CropSteps) {
		if f := l.CropSteps[crop]; f < 0.1 || f > 5 {
			c.add(key+".crop_steps."+crop, fmt.Sprintf("the factor is %g", f), "give 0.1 to 5")
		}
	}
}

// handCaution checks that nobody is sent to a part without being told to switch
// off first.
func (c *checker) handCaution(key string, l *Lever) {
	if l.Caution == "" {
		if l.From != FromSeat {
			c.add(key, "it is worked by hand and has no caution", `give one: caution = "stopped"`)
		}
		return
	}
	if !c.oneOf(key+".caution", "caution", l.Caution, c.b.cautionNames()) || l.From == FromSeat {
		return
	}
	words := strings.ToLower(c.b.CautionNamed(l.Caution).Words)
	for _, must := range standStill {
		if !strings.Contains(words, must) {
			c.add(key+".caution", fmt.Sprintf("the caution %q does not say %q", l.Caution, must),
				"who reaches into a machine must be told to switch off, take the key and wait")
			return
		}
	}
}

func sorted[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
