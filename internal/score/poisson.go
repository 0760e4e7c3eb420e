package score

import "math"

// PoissonInterval is the exact two-sided 95 % interval of a Poisson mean of
// which n events were seen (Garwood 1936).
func PoissonInterval(n int) (low, high float64) {
	if n > 0 {
		low = solve(func(mean float64) bool { return 1-poissonUpTo(n-1, mean) < 0.025 })
	}
	return low, solve(func(mean float64) bool { return poissonUpTo(n, mean) > 0.025 })
}

// poissonUpTo is the chance of at most n events.
func poissonUpTo(n int, mean float64) float64 {
	sum, logTerm := 0.0, -mean
	for i := 0; i <= n; i++ {
		sum += math.Exp(logTerm)
		logTerm += math.Log(mean) - math.Log(float64(i+1))
	}
	return sum
}

// solve finds where a test turns from true to false, between 0 and 1e6.
func solve(under func(float64) bool) float64 {
	lo, hi := 0.0, 1e6
	for range 200 {
		if mid := (lo + hi) / 2; under(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}
