package judge

import "math"

// settleS is the usual time between a change and the work that is judged.
const settleS = 40

// plan is the change that a window of n blocks after the one before would tell
// in nine cases of ten, relative, for changes about as large as are worth
// knowing of; infinite if it would tell nothing. The level's own movements are
// taken not to shrink with it, its drift to do so.
func (f *fit) plan(n int, c Criteria) float64 {
	n -= f.lag
	const slower = 1.25 // a guess of tau that turns out too low costs most
	b := [2]int{cosines(f.n, slower*f.tau), cosines(n, slower*f.tau)}
	if min(b[0], b[1]) < leastCosines {
		return math.Inf(1)
	}
	times := f.times + math.Pow(float64(n), 3)*blockS*blockS/12
	d := driftOf(0, f.longRun/times)
	_, doubt := d.between(settleS + blockS*float64(f.n+n)/2)
	left := max(1-c.WorthPct/100, 0)
	return resolvable(difference(
		mean{1, math.Sqrt(f.longRun / float64(f.n)), float64(b[0])},
		mean{left, math.Sqrt(f.longRun/float64(n) + left*left*doubt), float64(b[1])},
	), c.Alpha)
}

// Needed is how many seconds of steady work after a change it takes to tell a
// fall of Criteria.WorthPct in nine cases of ten, given the work before it. To
// tell a rise as surely it must be some three times as large. It is 0 if a
// quarter of an hour does not do, or nothing can be said.
func Needed(before *Window, c Criteria) int {
	c = c.usual()
	if before.n < LeastSeconds/blockS {
		return 0
	}
	// The work before, held against itself.
	windows := [2]*Window{before, before}
	var p pair
	p.load(windows)
	p.loadSymptom(windows)
	if why, _ := p.unlike(c); why != "" {
		return 0
	}
	f, why, _ := p.fit(c)
	if why != "" {
		return 0
	}
	for n := LeastSeconds / blockS; n <= maxBlocks; n++ {
		if 100*f.plan(n, c) <= c.WorthPct {
			return n * blockS
		}
	}
	return 0
}
