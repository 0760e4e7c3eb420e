package decode

import "chaffinch/canbus/signal"

// Change is a change of the source of a signal.
type Change struct {
	Signal   signal.ID
	At       signal.Instant
	From, To signal.Source // From is the zero Source for the first of all
}

// changes keeps the newest changes of source.
type changes struct {
	total uint64
	ring  [32]Change
}

func (c *changes) add(x Change) {
	c.ring[c.total%uint64(len(c.ring))] = x
	c.total++
}

// Changes appends the changes of source after the first seen ones, oldest
// first, and returns how many there have been in all: pass that the next time.
// Of many changes between two calls the newest 32 are kept.
func (d *Decoder) Changes(into []Change, seen uint64) ([]Change, uint64) {
	c := &d.changes
	if n := uint64(len(c.ring)); c.total > n {
		seen = max(seen, c.total-n)
	}
	for ; seen < c.total; seen++ {
		into = append(into, c.ring[seen%uint64(len(c.ring))])
	}
	return into, c.total
}

// ChangeCount is how often the source of a signal changed after the first.
func (d *Decoder) ChangeCount(id signal.ID) int { return d.choices[id].changes }

// Disagreement is a difference between the source in use and another that is
// Good too, beyond what slip, delay and rounding explain.
type Disagreement struct {
	Since   signal.Instant
	Largest float64 // the largest difference so far, in the signal's unit
	Used    signal.Source
	Other   signal.Source // the one with the largest difference
}

// Disagreement tells whether two sources of the signal disagree at now.
func (d *Decoder) Disagreement(id signal.ID, now signal.Instant) (Disagreement, bool) {
	c := &d.choices[id]
	if !c.dispute.active {
		return Disagreement{}, false
	}
	// Once the sources fall silent nothing more is compared.
	age := signal.Infos[id].MaxAge
	if k := &c.candidates[c.present]; now.Sub(k.at) > age {
		return Disagreement{}, false
	}
	return Disagreement{c.dispute.since, c.dispute.largest, c.candidates[c.present].from, c.dispute.other}, true
}

// Source is the source in use for a signal, and whether there is one.
func (d *Decoder) Source(id signal.ID) (signal.Source, bool) {
	c := &d.choices[id]
	if c.n == 0 {
		return signal.Source{}, false
	}
	return c.candidates[c.present].from, true
}
