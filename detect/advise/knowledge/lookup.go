package knowledge

import (
	"math"
	"slices"
)

// LeverNamed finds a lever; nil if there is none of that name.
func (b *Base) LeverNamed(name string) *Lever {
	return named(b.Lever, name, func(l *Lever) string { return l.Name })
}

// SymptomNamed finds a symptom; nil if there is none of that name.
func (b *Base) SymptomNamed(name string) *Symptom {
	return named(b.Symptom, name, func(s *Symptom) string { return s.Name })
}

// CautionNamed finds a caution; nil if there is none of that name.
func (b *Base) CautionNamed(name string) *Caution {
	return named(b.Caution, name, func(c *Caution) string { return c.Name })
}

// SourceNamed finds a source; nil if there is none of that name.
func (b *Base) SourceNamed(name string) *Source {
	return named(b.Source, name, func(s *Source) string { return s.Name })
}

func named[T any](all []T, name string, of func(*T) string) *T {
	for i := range all {
		if of(&all[i]) == name {
			return &all[i]
		}
	}
	return nil
}

// Moves are what may be done about a symptom in a crop with a kind of header
// (machine.HeaderKinds), in the order in which to try them. Their Steps are
// those of the crop and never 0. Conditions are for the caller to judge.
func (b *Base) Moves(symptom, crop, header string) []Move {
	s := b.SymptomNamed(symptom)
	if s == nil {
		return nil
	}
	var all []Move
	for i := range s.Move {
		m := s.Move[i]
		if !m.IsFor(crop, header) {
			continue
		}
		if m.Steps == 0 {
			m.Steps = 1
		}
		if l := b.LeverNamed(m.Lever); l != nil {
			if factor := l.CropSteps[crop]; factor > 0 {
				m.Steps *= factor
			}
		}
		all = append(all, m)
	}
	return all
}

// IsFor tells whether a move is for a crop and a kind of header.
func (m *Move) IsFor(crop, header string) bool {
	return (len(m.Crops) == 0 || slices.Contains(m.Crops, crop)) && !slices.Contains(m.NotCrops, crop) &&
		(len(m.Headers) == 0 || slices.Contains(m.Headers, header))
}

// Unconditional tells whether a move may be made without anything being known.
func (m *Move) Unconditional() bool { return len(m.When) == 0 }

// Amount is how far a lever goes for a number of steps, in its Unit: a share of
// the present setting, but at least its step, and rounded as a person would.
// Without a present setting (0) it is the step. 0 is that the lever has no
// steps that can be told in numbers.
func (l *Lever) Amount(steps, present float64) float64 {
	amount := max(l.Step, l.StepPct/100*math.Abs(present)) * steps
	if l.Round > 0 && amount > 0 {
		amount = max(l.Round, l.Round*math.Round(amount/l.Round))
	}
	return amount
}
