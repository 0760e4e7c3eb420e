package knowledge

import (
	"fmt"
	"slices"

	"chaffinch/detect/machine"
)

func (c *checker) symptoms() {
	for _, name := range Symptoms() {
		if c.b.SymptomNamed(name) == nil {
			c.add(name, "the symptom is missing", "every symptom needs its file")
		}
	}
	for i := range c.b.Symptom {
		s := &c.b.Symptom[i]
		if !c.oneOf(s.Name, "symptom", s.Name, Symptoms()) {
			continue
		}
		c.text(s.Name+".words", s.Words, maxHead)
		if len(s.Move) > maxMoves {
			c.add(s.Name, fmt.Sprintf("it has %d moves", len(s.Move)), fmt.Sprintf("give at most %d: nobody tries more", maxMoves))
			continue
		}
		for j := range s.Move {
			c.move(fmt.Sprintf("%s.move.%d", s.Name, j), s.Name, &s.Move[j])
		}
	}
}

func (c *checker) move(key, symptom string, m *Move) {
	if c.oneOf(key+".lever", "lever", m.Lever, c.b.leverNames()) && c.oneOf(key+".direction", "direction", m.Direction, []string{Up, Down, Look, Wait}) {
		c.head(key, m)
	}
	if m.Steps < 0 || m.Steps > 5 {
		c.add(key+".steps", fmt.Sprintf("steps is %g", m.Steps), "give up to 5")
	}
	if len(m.Crops) > 0 && len(m.NotCrops) > 0 {
		c.add(key+".not_crops", "it lists crops as well", "keep one of the two lists")
	}
	for i, h := range m.Headers {
		c.oneOf(fmt.Sprintf("%s.headers.%d", key, i), "header", h, machine.HeaderKinds())
	}
	c.conditions(key, m)
	c.clause(key+".reason", m.Reason)
	if len(m.Risks) > 0 && m.RiskWords == "" {
		c.add(key, "nobody is told of its risks", `give risk_words, such as "may break more grain"`)
	}
	if m.RiskWords != "" {
		c.clause(key+".risk_words", m.RiskWords)
	}
	for i, r := range m.Risks {
		at := fmt.Sprintf("%s.risks.%d", key, i)
		switch {
		case !c.oneOf(at, "symptom", r, Symptoms()):
		case r == symptom:
			c.add(at, "it is the symptom that the move is for", "remove it")
		case slices.Index(m.Risks, r) < i:
			c.add(at, fmt.Sprintf("%q stands here twice", r), "keep one")
		}
	}
	if m.Caution != "" {
		c.oneOf(key+".caution", "caution", m.Caution, c.b.cautionNames())
	}
	if len(m.Sources) == 0 {
		c.add(key, "it has no source", `give one, or sources = ["practice"]`)
	}
	for i, s := range m.Sources {
		c.oneOf(fmt.Sprintf("%s.sources.%d", key, i), "source", s, c.b.sourceNames())
	}
}

// head checks the imperative of a move.
func (c *checker) head(key string, m *Move) {
	if m.Say != "" {
		c.text(key+".say", m.Say, maxHead)
		return
	}
	l := c.b.LeverNamed(m.Lever)
	if words := map[string]string{Up: l.Up, Down: l.Down, Look: l.Look, Wait: l.Look}[m.Direction]; words == "" {
		c.add(key+".direction", fmt.Sprintf("the lever %q has no words for %q", l.Name, m.Direction), "give it some in levers.toml, or say them here: say = \"...\"")
	}
}

func (c *checker) conditions(key string, m *Move) {
	for _, list := range []struct {
		leaf  string
		names []string
	}{{"when", m.When}, {"unless", m.Unless}} {
		for i, name := range list.names {
			at := fmt.Sprintf("%s.%s.%d", key, list.leaf, i)
			if c.oneOf(at, "condition", name, Conditions()) && slices.Index(list.names, name) < i {
				c.add(at, fmt.Sprintf("%q stands here twice", name), "keep one")
			}
		}
	}
	if both := shared(m.When, m.Unless); both != "" {
		c.add(key+".unless", fmt.Sprintf("it is made when and unless %q", both), "remove one")
	}
	if pair := excluded(m.When, m.When); pair != "" {
		c.add(key+".when", "it can never be made: "+pair, "remove one")
	}
}

// whole checks what shows only when all moves are seen together, in every crop
// that is named anywhere and in one that is not.
func (c *checker) whole() {
	type once struct{ key, what string }
	said := map[once]bool{}
	add := func(key, what, try string) {
		if !said[once{key, what}] {
			said[once{key, what}] = true
			c.add(key, what, try)
		}
	}
	for _, crop := range append(c.b.CropsNamed(), "any other crop") {
		for _, header := range machine.HeaderKinds() {
			for i := range c.b.Symptom {
				c.ending(add, &c.b.Symptom[i], crop, header)
				c.contrary(add, &c.b.Symptom[i], crop, header)
				c.pairs(add, &c.b.Symptom[i], crop, header)
			}
		}
	}
}

// CropsNamed are the crops that any move or lever names, in order.
func (b *Base) CropsNamed() []string {
	var all []string
	for i := range b.Symptom {
		for j := range b.Symptom[i].Move {
			m := &b.Symptom[i].Move[j]
			all = append(append(all, m.Crops...), m.NotCrops...)
		}
	}
	for i := range b.Lever {
		all = append(all, sorted(b.Lever[i].CropSteps)...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

type addFunc = func(key, what, try string)

// ending checks that everybody is helped from the seat, and that a list ends
// with a look or with waiting and not with one more turn of a lever.
func (c *checker) ending(add addFunc, s *Symptom, crop, header string) {
	seat := false
	var last *Move
	for i := range s.Move {
		m := &s.Move[i]
		if !m.IsFor(crop, header) {
			continue
		}
		last = m
		free := m.Unconditional() && len(m.Unless) == 0
		// Nobody is told to drive faster without anything being known.
		if c.b.LeverNamed(m.Lever).From == FromSeat && Opposite(m.Direction) != "" && (free || s.Name == SpareCapacity) {
			seat = true
		}
	}
	in := fmt.Sprintf("in %s with a %s header ", crop, header)
	if !seat {
		add(s.Name, in+"it leads to no move from the seat that can always be made", "add one")
	}
	if last == nil || Opposite(last.Direction) != "" || !last.Unconditional() || len(last.Unless) > 0 {
		add(s.Name, in+"its moves do not end with a look or with waiting", `add a last move of direction "look" or "wait" that no condition hides`)
	}
}

// contrary checks that no two moves of one symptom turn a lever both ways: they
// must exclude each other, unless nothing tells which way is right.
func (c *checker) contrary(add addFunc, s *Symptom, crop, header string) {
	for i := range s.Move {
		for j := i + 1; j < len(s.Move); j++ {
			m, n := &s.Move[i], &s.Move[j]
			if m.Lever != n.Lever || Opposite(m.Direction) == "" || Opposite(m.Direction) != n.Direction ||
				!m.IsFor(crop, header) || !n.IsFor(crop, header) || m.excludes(n) || m.tried(n) {
				continue
			}
			add(fmt.Sprintf("%s.move.%d", s.Name, j), fmt.Sprintf("in %s it moves %s %s, and move %d of the same symptom %s", crop, n.Lever, n.Direction, i+1, m.Direction),
				"give conditions that exclude each other, or either = true in both where nothing tells which way is right")
		}
	}
}

// tried tells whether both moves may be tried because nothing tells which.
func (m *Move) tried(n *Move) bool {
	return m.Either && n.Either || m.Either && !n.Unconditional() || n.Either && !m.Unconditional()
}

// excludes tells whether two moves can never hold at once.
func (m *Move) excludes(n *Move) bool {
	return shared(m.When, n.Unless) != "" || shared(n.When, m.Unless) != "" || excluded(m.When, n.When) != ""
}

// opposed are conditions of which only one can hold.
var opposed = [][]string{
	{LoadHigh, LoadLow}, {UnthreshedSeen, UnthreshedNone}, {TankOnly, UnthreshedNone}, {CleaningLow, CleaningHigh},
	{LossLow, CleaningHigh}, {ReturnsClean, ReturnsHeads, ReturnsChaff},
}

func excluded(a, b []string) string {
	for _, group := range opposed {
		for _, x := range group {
			for _, y := range group {
				if x != y && slices.Contains(a, x) && slices.Contains(b, y) {
					return x + " and " + y + " exclude each other"
				}
			}
		}
	}
	return ""
}

func shared(a, b []string) string {
	for _, name := range a {
		if slices.Contains(b, name) {
			return name
		}
	}
	return ""
}

// pairs checks that moves of two symptoms that undo each other say so in their
// risks, both of them.
func (c *checker) pairs(add addFunc, s *Symptom, crop, header string) {
	for i := range s.Move {
		m := &s.Move[i]
		if !m.IsFor(crop, header) {
			continue
		}
		for _, name := range c.b.Undone(s.Name, m, crop, header) {
			const try = "a move that another symptom takes back must name it in risks, and the other way round: else they would follow each other for ever"
			if !slices.Contains(m.Risks, name) {
				add(fmt.Sprintf("%s.move.%d", s.Name, i), fmt.Sprintf("%s takes it back, and is not among its risks", name), try)
			}
			other := c.b.SymptomNamed(name)
			for j := range other.Move {
				n := &other.Move[j]
				if n.Lever == m.Lever && n.Direction == Opposite(m.Direction) && n.IsFor(crop, header) && slices.Contains(remedies(other, crop, header), n) && !slices.Contains(n.Risks, s.Name) {
					add(fmt.Sprintf("%s.move.%d", name, j), fmt.Sprintf("it takes back move %d of %s, which is not among its risks", i+1, s.Name), try)
				}
			}
		}
	}
}
