package shift

import (
	"fmt"

	"chaffinch/internal/problem"
)

// Settings is the [shift] table of the configuration.
type Settings struct {
	// EndAfterMin is how long the machine does not cut, in minutes, before the
	// shift is over: 10 to 1440.
	EndAfterMin float64 `toml:"end_after_min"`
	// FieldApartM is how far from all that was cut a new field is, in metres: 50
	// to 5000.
	FieldApartM float64 `toml:"field_apart_m"`
}

// DefaultSettings ends a shift after two hours, which a meal or a repair seldom
// takes, and tells fields apart that are 300 m apart (common practice, no source).
func DefaultSettings() Settings { return Settings{EndAfterMin: 120, FieldApartM: 300} }

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	for _, x := range []struct {
		key, unit       string
		value, min, max float64
	}{
		{"end_after_min", "minutes", s.EndAfterMin, 10, 1440},
		{"field_apart_m", "metres", s.FieldApartM, 50, 5000},
	} {
		if !(x.value >= x.min && x.value <= x.max) {
			all = append(all, &problem.Problem{Key: "shift." + x.key, What: fmt.Sprintf("%s is %g", x.key, x.value),
				Try: fmt.Sprintf("give %g to %g %s", x.min, x.max, x.unit)})
		}
	}
	return all
}
