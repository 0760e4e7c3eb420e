package judge

import "math"

// Levels drift: crop, dew and wind change while nobody touches a lever. Two
// windows that lie one after the other see that as a difference. How fast a
// level drifts can be seen within the windows, but not well; so it is held
// against what levels do by themselves: driftPerS is the standard deviation of
// that, relative, a second. What the windows show for sure is taken off, and
// the doubt that remains makes the difference less sure.
const driftPerS = 0.02 / 60

// drift is a relative change a second, with the variance of what is not known
// of it.
type drift struct{ perS, variance float64 }

// lean is the sum of squares of the times about their means, and of times and
// readings.
func lean(rest, at []float64) (tt, ty float64) {
	middle, _ := spread(at)
	for i, v := range rest {
		t := at[i] - middle
		tt += t * t
		ty += t * v
	}
	return tt, ty
}

// drifting finds the drift common to both windows. n times the variance of a
// mean is longRun, taken as the same in both.
func drifting(restA, atA, restB, atB []float64, longRun float64) drift {
	ttA, tyA := lean(restA, atA)
	ttB, tyB := lean(restB, atB)
	if ttA+ttB == 0 {
		return drift{0, driftPerS * driftPerS}
	}
	seen := (tyA + tyB) / (ttA + ttB)
	doubt := longRun / (ttA + ttB)
	share := driftPerS * driftPerS / (driftPerS*driftPerS + doubt)
	return drift{seen * share, doubt * share}
}

// level takes a drift out of readings.
func (d drift) level(rest, at []float64) {
	middle, _ := spread(at)
	for i := range rest {
		rest[i] -= d.perS * (at[i] - middle)
	}
}

// between is the drift between two times, as a factor, and the variance of it.
func (d drift) between(seconds float64) (factor, variance float64) {
	move := math.Min(math.Max(d.perS*seconds, -0.5), 0.5)
	return 1 + move, d.variance * seconds * seconds
}
