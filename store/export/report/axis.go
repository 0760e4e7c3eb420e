package report

import (
	"fmt"
	"math"
)

// ticks are round values from low to high, about n of them.
func ticks(low, high float64, n int) []float64 {
	span := high - low
	if !(span > 0) || n < 1 {
		return nil
	}
	raw := span / float64(n)
	ten := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * ten
	for _, m := range []float64{1, 2, 5} {
		if m*ten >= raw*0.7 {
			step = m * ten
			break
		}
	}
	var all []float64
	for i := int(math.Ceil(low/step - 1e-9)); float64(i)*step <= high+1e-9*span; i++ {
		all = append(all, float64(i)*step)
	}
	return all
}

// hourTicks are round times of a day, in seconds on an axis that begins at a time
// of day of begin seconds.
func hourTicks(begin, span float64) (at []float64, label []string) {
	step := 3600.0
	for _, s := range []float64{300, 600, 900, 1800, 3600, 7200} {
		if span/s <= 13 {
			step = s
			break
		}
	}
	for t := math.Ceil(begin/step) * step; t <= begin+span; t += step {
		at = append(at, t-begin)
		m := int(t/60+0.5) % (24 * 60)
		label = append(label, fmt.Sprintf("%d:%02d", m/60, m%60))
	}
	return at, label
}
