package survey

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/signal"
)

// usable tells whether a signal has values that can be relied on.
func (b *builder) usable(id signal.ID) bool {
	state := b.r.Signals[id].State
	return state == isHeard || state == isSilent
}

// missing says in words which needs are not met.
func (b *builder) missing(needs []need) []string {
	var all []string
	for _, n := range needs {
		if !slices.ContainsFunc(n, b.usable) {
			all = append(all, words(n))
		}
	}
	return all
}

func words(n need) string {
	var parts []string
	for _, id := range n {
		w := id.Info().Words
		if id == signal.Latitude.ID {
			w = "position"
		}
		parts = append(parts, w)
	}
	return strings.Join(parts, " or ")
}

// whenItCuts is what a missing cuttingNeeds is called in other lists.
const whenItCuts = "to know when it cuts"

func (b *builder) alarms() []Alarm {
	all := []Alarm{}
	for _, k := range kindNeeds {
		a := Alarm{Kind: k.kind, Own: k.own, Note: k.note, Missing: b.missing(k.needs)}
		if k.cutting && !b.r.Cutting.Possible {
			a.Missing = append(a.Missing, whenItCuts)
		}
		if k.group != 0 && len(b.senders(k.group)) == 0 {
			a.Missing = append(a.Missing, "reports of "+groupWords(k.group))
		}
		a.Possible = len(a.Missing) == 0
		for _, l := range k.better {
			if a.Possible && !b.usable(l.id) {
				a.Worse = append(a.Worse, fmt.Sprintf("without %s %s", l.id.Info().Words, l.words))
			}
		}
		all = append(all, a)
	}
	return all
}

func (b *builder) cutting() Ability {
	missing := b.missing(cuttingNeeds)
	return Ability{What: "when it cuts", Possible: len(missing) == 0, Missing: missing}
}

func (b *builder) feed() []Ability {
	all := []Ability{}
	for _, f := range feedRoutes {
		missing := b.missing(f.needs)
		if !b.r.Cutting.Possible {
			missing = append(missing, whenItCuts)
		}
		all = append(all, Ability{f.route, len(missing) == 0, missing, f.note})
	}
	return all
}

// alarmsWithout are the alarms that a signal stands in the way of: those that
// cannot be given, as nothing else here meets a need that it usually meets;
// and those that are given, but less well.
func (b *builder) alarmsWithout(id signal.ID) (blind, worse []string) {
	for _, k := range kindNeeds {
		switch {
		case slices.ContainsFunc(k.all(), func(n need) bool {
			usual := n[0] == id || len(n) == 2 && n[1] == id
			return usual && !slices.ContainsFunc(n, func(other signal.ID) bool { return other != id && b.usable(other) })
		}):
			blind = append(blind, k.kind)
		case slices.ContainsFunc(k.better, func(l lack) bool { return l.id == id }):
			worse = append(worse, k.kind)
		}
	}
	return blind, worse
}

func feedRoutesOf(id signal.ID) []string {
	var all []string
	for _, f := range feedRoutes {
		for _, n := range f.needs {
			if slices.Contains(n, id) {
				all = append(all, f.route)
			}
		}
	}
	return all
}
