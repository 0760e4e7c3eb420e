package history

import (
	"chaffinch/detect/shift"
	"chaffinch/store"
)

// Shift is a shift that the store knows of.
type Shift struct {
	Number uint32
	Span   Span // of its rows
	// Told is its newest record: the whole, or, of a shift that is not over or
	// whose end is lost, only its beginning.
	Told shift.Told
}

// Shifts are the shifts that the store knows of, oldest first. Records that cannot
// be read are passed over, and the first of their errors is returned beside.
func Shifts(s *store.Store) (all []Shift, err error) {
	for r, readErr := range s.All(store.Shift, store.Key{}) {
		if readErr != nil {
			return all, readErr
		}
		told, parseErr := shift.Parse(r.Payload)
		if parseErr != nil {
			if err == nil {
				err = parseErr
			}
			continue
		}
		n := told.Shift.Number
		at := len(all) - 1
		if told.Phase == shift.PhaseEnded { // another may have begun, where the store came late
			for at >= 0 && all[at].Number != n {
				at--
			}
		}
		if at >= 0 && all[at].Number == n {
			all[at].Told = told
			continue
		}
		// Its blocks come behind its first record and before the next shift's.
		if last := len(all) - 1; last >= 0 {
			all[last].Span.Before = r.Key
		}
		all = append(all, Shift{Number: n, Span: Span{From: r.Key, Shift: n}, Told: told})
	}
	return all, err
}
