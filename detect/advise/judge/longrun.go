package judge

import "math"

// The mean of a slowly moving level is less sure than its scatter says. How
// much less is the variance of its slowest movements: the longest cosines that
// fit into the window, which share a variance that is n times that of the mean.
// That makes no assumption of how the level moves (equal-weighted cosine
// estimator: Lazarus, Lewis, Stock and Watson, J. Business & Economic
// Statistics 36(4), 2018), and with few cosines Student's t keeps its promise.

// longRun is n times the variance of the mean of x, from its first b cosines,
// 1 <= b < len(x). x must have mean zero.
func longRun(x []float64, b int) float64 {
	n := float64(len(x))
	sum := 0.0
	for k := 1; k <= b; k++ {
		c := 0.0
		for i, v := range x {
			c += v * math.Cos(math.Pi*float64(k)*(float64(i)+0.5)/n)
		}
		sum += 2 / n * c * c
	}
	return sum / float64(b)
}

// Of n readings of a level that forgets itself after tau readings, this many
// cosines are slow enough: those that take at least some 6 tau for half a wave.
// Fewer than leastCosines leave Student's t too wide to tell anything.
func cosines(n int, tau float64) int {
	return min(int(float64(n)/(6*tau+1.5)), mostCosines)
}

const (
	leastCosines = 2
	mostCosines  = 10
)

// memory is after how many readings the level of x and y forgets itself, from
// their common autocorrelation at one reading: phi = exp(-1/tau). Both must
// have mean zero.
func memory(x, y []float64) float64 {
	n := float64(len(x) + len(y))
	// A mean taken out of the same readings pulls it down, and it is itself
	// uncertain by 1/sqrt(n): some of the doubt goes to the slower side.
	phi := lag1(x, y) + 2.5/n + 0.25/math.Sqrt(n)
	return -1 / math.Log(min(max(phi, 0.001), 0.98))
}

// lag1 is the autocorrelation at one reading of stretches with mean zero.
func lag1(stretches ...[]float64) float64 {
	var at0, at1 float64
	for _, s := range stretches {
		for i, v := range s {
			at0 += v * v
			if i > 0 {
				at1 += v * s[i-1]
			}
		}
	}
	if at0 == 0 {
		return 0
	}
	return at1 / at0
}
