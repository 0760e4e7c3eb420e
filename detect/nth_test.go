package detect

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// The standard library's sort says what the value is.
func TestNthIsWhatSortingWouldPutThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(-1e6, 1e6), rapid.SampledFrom([]float64{0, 1, 1, 2, 100})), 1, 900).Draw(t, "list")
		if rapid.Bool().Draw(t, "in order") {
			slices.Sort(list)
		}
		sorted := slices.Sorted(slices.Values(list))
		k := rapid.IntRange(0, len(list)-1).Draw(t, "k")
		if got := nth(list, k); got != sorted[k] || list[k] != got {
			t.Fatalf("%g, want %g", got, sorted[k])
		}
		slices.Sort(list)
		if !slices.Equal(list, sorted) {
			t.Fatal("other values than before")
		}
	})
}
