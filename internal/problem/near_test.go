package problem

import "testing"

func TestNear(t *testing.T) {
	known := []string{"cut_width_m", "rotor_speed_rpm", "fan_speed_rpm", "mass_t", "name", "engine-overload"}
	for _, c := range []struct{ word, want string }{
		{"cut_widht_m", "cut_width_m"}, // two letters exchanged
		{"cut_width", "cut_width_m"},   // unit forgotten
		{"rotor_rpm", ""},              // six letters away is a guess too far
		{"rotor_spede_rpm", "rotor_speed_rpm"},
		{"Name", "name"},
		{"mass", "mass_t"},
		{"engine_overload", "engine-overload"},
		{"colour", ""},
		{"", ""},
	} {
		if got := Near(c.word, known); got != c.want {
			t.Errorf("Near(%q) = %q, want %q", c.word, got, c.want)
		}
	}
}

// Distances of the textbook examples of edit distance (kitten and sitting 3,
// Saturday and Sunday 3), and one exchange of neighbours.
func TestEdits(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"kitten", "sitting", 3}, {"saturday", "sunday", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"same", "same", 0},
	} {
		if got := edits(c.a, c.b, 99); got != c.want {
			t.Errorf("edits(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
