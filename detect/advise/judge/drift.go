package judge

// Levels drift: crop, dew and wind change while nobody touches a lever. Two
// windows that lie one after the other see that as a difference. How fast a
// level drifts can be seen within the windows, but not well; so it is held
// against what levels do by themselves: driftPerS is the standard deviation of
// that, relative, a second. What the windows show for sure is taken off, and
// the doubt that remains makes the difference less sure.
//
// No source gives driftPerS. It is the least that keeps false verdicts under
// 5 % at a drift of one standard deviation of the level over both windows, and
// at a random walk of a fiftieth of it a second.
const driftPerS = 0.03 / 60

// drift is a relative change a second, with the variance of what is not known
// of it.
type drift struct{ perS, variance float64 }

// driftOf is what to think of a drift that was seen, with a variance of doubt.
func driftOf(seen, doubt float64) drift {
	share := driftPerS * driftPerS / (driftPerS*driftPerS + doubt)
	return drift{seen * share, doubt * share}
}

// drifting finds the drift common to both windows. longRun is n times the
// variance of a mean, of each.
func drifting(rest, at [2][]float64, longRun [2]float64) drift {
	var tt, ty, variance float64
	for k := range rest {
		t, y := lean(rest[k], at[k])
		tt, ty, variance = tt+t, ty+y, variance+t*longRun[k]
	}
	return driftOf(ty/tt, variance/(tt*tt))
}

// lean is the sums of squares of the times about their mean, and of times with
// readings. There must be two times at least.
func lean(rest, at []float64) (tt, ty float64) {
	middle, _ := spread(at)
	for i, v := range rest {
		t := at[i] - middle
		tt += t * t
		ty += t * v
	}
	return tt, ty
}

// level takes a drift out of readings.
func (d drift) level(rest, at []float64) {
	middle, _ := spread(at)
	for i := range rest {
		rest[i] -= d.perS * (at[i] - middle)
	}
}

// between is the drift over a time, as a factor, and the variance of it.
func (d drift) between(seconds float64) (factor, variance float64) {
	return 1 + min(max(d.perS*seconds, -0.5), 0.5), d.variance * seconds * seconds
}
