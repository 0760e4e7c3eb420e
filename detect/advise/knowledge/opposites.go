package knowledge

import "slices"

// Undone are the symptoms whose remedy undoes a move made for one symptom: in
// the same crop and header an unconditional move of the same lever the other
// way. Where a symptom has no unconditional move up or down its first one
// counts. If the move brings such a symptom on, following both in turn would
// never end.
func (b *Base) Undone(symptom string, m *Move, crop, header string) []string {
	back := Opposite(m.Direction)
	if back == "" {
		return nil
	}
	var all []string
	for i := range b.Symptom {
		other := &b.Symptom[i]
		if other.Name != symptom && slices.ContainsFunc(remedies(other, crop, header), func(r *Move) bool {
			return r.Lever == m.Lever && r.Direction == back
		}) {
			all = append(all, other.Name)
		}
	}
	return all
}

// Opposite is the other direction of a move: "" of one that has none.
func Opposite(direction string) string {
	switch direction {
	case Up:
		return Down
	case Down:
		return Up
	}
	return ""
}

// remedies are the moves up and down that a symptom leads to whatever is known.
func remedies(s *Symptom, crop, header string) []*Move {
	var all []*Move
	var first *Move
	for i := range s.Move {
		m := &s.Move[i]
		if Opposite(m.Direction) == "" || !m.IsFor(crop, header) {
			continue
		}
		if first == nil {
			first = m
		}
		if m.Unconditional() {
			all = append(all, m)
		}
	}
	if all == nil && first != nil {
		all = append(all, first)
	}
	return all
}
