package advise

import (
	"slices"

	"chaffinch/detect/advise/knowledge"
)

// mostMoves of a symptom are weighed.
const mostMoves = 32

// order puts the moves of a symptom into the order in which to try them: by
// rank, then by what speaks for them here and now, then as the knowledge has
// them, which is the order for when nothing more is known.
func (a *Adviser) order(of int, into *[mostMoves]uint8) (n int) {
	var key [mostMoves]int
	for j := range a.moves[of] {
		if n == mostMoves {
			break
		}
		m := &a.moves[of][j]
		k := 100 * a.rank(m, of)
		if way(m.Direction) != 0 && !m.driving {
			n := a.against(m, of)
			if of == headerLoss {
				n = max(n, 0) // what the reel can do comes first
			}
			k += n
		}
		i := n
		for ; i > 0 && key[i-1] > k; i-- {
			key[i], into[i] = key[i-1], into[i-1]
		}
		key[i], into[i] = k, uint8(j)
		n++
	}
	return n
}

// telling are the conditions of which one that holds points at its lever.
var telling = [...]string{knowledge.UnthreshedSeen, knowledge.TankOnly, knowledge.ReturnsClean, knowledge.ReturnsHeads,
	knowledge.ReturnsChaff, knowledge.StrawFine}

const (
	tight = 0.85 // of its target: what has so little room soon is over it
	roomy = 0.5
)

// against is how much speaks against a move rather than for it: other symptoms
// that it would make worse or better as well, how much room there is for its
// risks, and what checks have told.
func (a *Adviser) against(m *move, of int) (n int) {
	for _, name := range m.When {
		if slices.Contains(telling[:], name) && a.condition(name, of).holds {
			n -= 2
		}
	}
	for i := range symptoms {
		if i == of || !a.there(i) {
			continue
		}
		switch {
		case a.helps(m, i):
			n -= 2
		case slices.Contains(m.risks, i):
			n += 3
		}
	}
	first := true // the likeliest
	for _, r := range m.risks {
		t := &a.symptoms[r]
		if t.basis == "" || t.seconds < overAfter || t.target <= 0 || a.helps(m, r) {
			continue
		}
		n += oneIf(t.lasting > tight*t.target && !a.there(r))
		n -= oneIf(first && t.lasting < roomy*t.target)
		first = false
	}
	return n
}

func oneIf(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// helps tells whether the knowledge has the same move for another symptom.
func (a *Adviser) helps(m *move, of int) bool {
	for j := range a.moves[of] {
		if o := &a.moves[of][j]; o.lever == m.lever && o.Direction == m.Direction {
			return true
		}
	}
	return false
}
