package judge

import "math"

// series is one level of one window: a mean a block.
type series struct {
	y    []float64 // the level
	feed []float64 // t/h
	at   []float64 // seconds, on the clock of both windows
}

// mostExponent and leastExponent bound how steeply a level may follow feed.
// Loss grows with the second to fifth power of it, broken grain falls.
const (
	leastExponent = -3
	mostExponent  = 8
)

// exponent is the p of a level that grows as feed^p within the windows: one p
// for both, each with its own level, so that the change itself does not pull at
// it. It is the maximum of the quasi-likelihood of a mean m*feed^p with a
// variance in proportion to it (McCullagh and Nelder, Generalized Linear
// Models, 2nd ed., 9.2), which needs no logarithm of a level that may be 0.
// Feed is taken over pairs of blocks: what a sensor makes of shorter movements
// of feed is smeared, and would make p look small.
func exponent(windows [2]series) float64 {
	low, high := float64(leastExponent), float64(mostExponent)
	if score(windows, low) <= 0 || score(windows, high) >= 0 {
		return flatOr(windows, low, high)
	}
	for range 20 { // it falls with p, so halving finds where it is 0
		p := (low + high) / 2
		if score(windows, p) > 0 {
			low = p
		} else {
			high = p
		}
	}
	return (low + high) / 2
}

// flatOr is the bound that the levels pull to, or 0 if they say nothing.
func flatOr(windows [2]series, low, high float64) float64 {
	switch s := score(windows, 0); {
	case s > 0:
		return high
	case s < 0:
		return low
	}
	return 0
}

// score is how much more of the level lies at high feed than feed^p tells.
func score(windows [2]series, p float64) float64 {
	total := 0.0
	for _, w := range windows {
		var y, f, yl, fl float64
		for i := 0; i+merged <= len(w.y); i += merged {
			var level, feed float64
			for j := i; j < i+merged; j++ {
				level += w.y[j]
				feed += w.feed[j]
			}
			l := math.Log(feed / merged)
			power := math.Exp(p * l)
			y, f = y+level, f+power
			yl, fl = yl+level*l, fl+power*l
		}
		if f > 0 {
			total += yl - y/f*fl
		}
	}
	return total
}

const merged = 2

// match is the level of s at the feed at, with what is left of each reading
// relative to it, in rest.
func match(s series, p, at float64, rest []float64) float64 {
	var y, f float64
	for i, v := range s.y {
		y += v
		f += math.Pow(s.feed[i]/at, p)
	}
	level := y / f
	for i, v := range s.y {
		rest[i] = 0
		if level != 0 {
			rest[i] = (v - level*math.Pow(s.feed[i]/at, p)) * float64(len(s.y)) / y
		}
	}
	return level
}

// spread is mean and standard deviation of x.
func spread(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	if len(x) > 1 {
		sd = math.Sqrt(sd / float64(len(x)-1))
	}
	return mean, sd
}

// mostLag is how many blocks a level may answer later than it was said to.
const mostLag = 4

// lagGain is how much better an earlier feed must explain a level to be taken
// for its cause: a log-likelihood ratio a reading.
const lagGain = 0.01

// follow finds how steeply the level that is loaded follows the feed, and by
// how many blocks it answers late.
func (p *pair) follow() (power float64, lag int) {
	best := math.Inf(-1)
	for l := 0; l <= mostLag && 3*l < min(p.n[0], p.n[1]); l++ {
		w := [2]series{p.series(0, l), p.series(1, l)}
		e := exponent(w)
		if fit := explained(w, e); fit > best+lagGain {
			best, power, lag = fit, e, l
		}
	}
	return power, lag
}

// explained is how much of a level its feed to the power p explains, beyond
// the mean of each window: the log-likelihood ratio a reading.
func explained(windows [2]series, p float64) float64 {
	var with, without float64
	for _, w := range windows {
		var y, f float64
		for i, v := range w.y {
			y += v
			f += math.Pow(w.feed[i], p)
		}
		mean := y / float64(len(w.y))
		for i, v := range w.y {
			r := v - y/f*math.Pow(w.feed[i], p)
			with += r * r
			without += (v - mean) * (v - mean)
		}
	}
	if with <= 0 || without <= 0 {
		return 0
	}
	return 0.5 * math.Log(without/with)
}
