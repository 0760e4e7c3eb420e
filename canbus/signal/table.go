package signal

// Table holds the newest reading of every signal. It is a plain value: copy
// it to keep a moment.
type Table struct {
	slots [Count]Reading[float64]
}

// Set replaces the reading of a signal whose unit is known only at run time,
// as when it comes from a map in the configuration. Value is in the signal's
// own unit.
func (t *Table) Set(id ID, r Reading[float64]) { t.slots[id] = r }

// Get returns the reading of a signal whose unit is known only at run time.
func (t *Table) Get(id ID) Reading[float64] { return t.slots[id] }

// Touch notes that the sender of an on-change value is still there.
func (t *Table) Touch(id ID, at Instant) { t.slots[id].Heard = at }

// Fresh returns the value of a signal, in its own unit, if it is Good and not
// stale at now.
func (t *Table) Fresh(id ID, now Instant) (float64, bool) {
	return t.slots[id].Fresh(now, Infos[id].MaxAge)
}

// Of returns the signal's reading in t.
func (k Key[U]) Of(t *Table) Reading[U] {
	r := t.slots[k.ID]
	return Reading[U]{Value: U(r.Value), At: r.At, Heard: r.Heard, Quality: r.Quality, OnChange: r.OnChange, From: r.From}
}

// Fresh returns the signal's value in t if it is Good and not stale at now.
func (k Key[U]) Fresh(t *Table, now Instant) (U, bool) {
	v, ok := t.Fresh(k.ID, now)
	return U(v), ok
}
