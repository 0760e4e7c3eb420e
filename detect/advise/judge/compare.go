package judge

import (
	"fmt"
	"math"
)

// LeastSeconds is the shortest window that is judged.
const LeastSeconds = 30

// Compare judges the work after a change against the work before it.
//
// Where nothing was changed it says better or worse in less than 5 % of cases:
// with levels that take 0.5 to 10 s to forget themselves, that wander or drift,
// and with feed that is not the same. What it cannot tell from a change is
// something else that happened between the windows and at no other time. Whoever
// lets a window grow and asks again should let it double: asking at every second
// would find something by chance in the end.
func Compare(before, after *Window, c Criteria) Verdict {
	c = c.usual()
	var v Verdict
	room := after.n < maxBlocks
	switch least := LeastSeconds / blockS; {
	case before.n < least:
		v.Why = fmt.Sprintf("there were only %d s of steady work before the change", before.Seconds())
		return v
	case after.n < least:
		v.Why = fmt.Sprintf("there were only %d s of steady work after the change", after.Seconds())
		v.More = true
		return v
	}
	windows := [2]*Window{before, after}
	var p pair
	p.load(windows)
	mayPass := false
	if v.Why, mayPass = p.unlike(c); v.Why != "" {
		v.More = mayPass && room
		return v
	}
	p.loadSymptom(windows)
	var f fit
	f, v.Why, mayPass = p.fit(c)
	if v.Why == "" {
		v.Level, v.Why = p.judged(&f, c)
		mayPass = p.apart
	}
	if v.Why != "" {
		v.More = mayPass && room
	} else {
		v.More = v.Outcome == NoClearChange && v.ResolvablePct > c.WorthPct && room &&
			100*f.plan(min(2*after.n, maxBlocks), c) < 0.8*v.ResolvablePct
	}
	side := c
	side.HigherIsBetter, side.Top, side.Steep = false, 0, Criteria{}.usual().Steep
	for i := range v.Sides {
		if !p.loadSide(windows, i) {
			continue
		}
		v.Sides[i].Known = true
		if f, why, _ := p.fit(side); why == "" {
			v.Sides[i].Level, _ = p.judged(&f, side)
		}
	}
	return v
}

// fit is what a level of a pair of windows comes to.
type fit struct {
	means   [2]mean // at the same feed, without drift
	tau     float64 // blocks after which the level forgets itself
	longRun float64 // of the relative level before, of a block
	times   float64 // sum of squares of the times before, about their mean, s2
	n       int     // blocks before
	lag     int     // blocks by which the level answers late
	power   float64 // of the feed that the level goes with
	top     [2]bool // the level is at the end of its sensor
}

// judged is the outcome. Where the feeds are apart it takes a change that is clear
// however steeply the level follows the feed, and gives the smaller one.
func (p *pair) judged(f *fit, c Criteria) (Level, string) {
	if !p.apart {
		return f.judged(c)
	}
	var found [2]Level
	for i, e := range c.Steep {
		g := *f
		by := math.Pow(p.feedMean[1]/p.feedMean[0], f.power-e)
		g.means[1].value, g.means[1].se = by*g.means[1].value, by*g.means[1].se
		l, why := g.judged(c)
		if why != "" || l.Outcome == NoClearChange || l.Outcome != found[0].Outcome && i > 0 {
			return Level{}, p.otherFeed(c)
		}
		found[i] = l
	}
	l := found[0]
	if math.Abs(found[1].ChangePct) < math.Abs(l.ChangePct) {
		l = found[1]
	}
	l.AtLeast = true
	return l, ""
}

// judged is the outcome. A level at the end of its sensor is in truth higher than
// it is shown, or as high: that it rose up to there, or fell from there, is sure
// all the same, and that by so much at least. Else nothing can be told.
func (f *fit) judged(c Criteria) (l Level, why string) {
	l = judged(f.means[0], f.means[1], c)
	rose := l.After > l.Before
	if f.top[0] || f.top[1] {
		if (l.Outcome == NoClearChange) || f.top[0] && rose || f.top[1] && !rose {
			return Level{}, atTheTop
		}
		l.AtLeast = true
	}
	return l, ""
}

const atTheTop = "the level is at the top of its range"

// fit brings the level that is loaded to one feed and works out how sure its
// means are. It gives a clause if it cannot.
func (p *pair) fit(c Criteria) (f fit, why string, mayPass bool) {
	w := [2]series{p.series(0, 0), p.series(1, 0)}
	if c.Top > 0 {
		f.top = [2]bool{atTop(w[0], c.Top), atTop(w[1], c.Top)}
	}
	if f.top[0] && f.top[1] {
		return f, atTheTop, false
	}
	power := 0.0
	if !c.OfFeed {
		power, f.lag = p.follow()
		w = [2]series{p.series(0, f.lag), p.series(1, f.lag)}
	}
	f.power = power
	var rest [2][]float64
	for k := range w {
		rest[k] = p.rest[k][:len(w[k].y)]
		f.means[k].value = match(w[k], power, max(p.feedBoth, 1e-9), rest[k])
	}
	if f.means[0].value <= 0 {
		return f, "there was nothing of it before the change", false
	}
	f.tau = memory(rest[0], rest[1])
	b := [2]int{cosines(len(rest[0]), f.tau), cosines(len(rest[1]), f.tau)}
	if min(b[0], b[1]) < leastCosines {
		return f, "the level moves too slowly for windows as short as these", true
	}

	lr := [2]float64{longRun(rest[0], b[0]), longRun(rest[1], b[1])}
	f.longRun = lr[0]
	f.times, _ = lean(rest[0], w[0].at)
	f.n = len(rest[0])
	d := drifting(rest, [2][]float64{w[0].at, w[1].at}, lr)
	m0, _ := spread(w[0].at)
	m1, _ := spread(w[1].at)
	moved, doubt := d.between(m1 - m0)
	// The exponent is not known for sure either (analysis of covariance).
	if p.feedSpace > 0 && !c.OfFeed {
		apart := (p.feedMean[1] - p.feedMean[0]) / p.feedSpace
		doubt += (lr[0] + lr[1]) / 2 * apart * apart / float64(p.n[0]+p.n[1])
	}
	for k := range f.means {
		d.level(rest[k], w[k].at)
		variance := longRun(rest[k], b[k]) / float64(len(rest[k]))
		if k == 1 {
			variance += doubt
		}
		f.means[k].se = f.means[k].value * math.Sqrt(variance)
		f.means[k].df = float64(b[k])
	}
	f.means[1].value /= moved
	f.means[1].se /= moved
	if !steady(rest[0], f.tau, c.Alpha) {
		return f, "the level was moving already before the change", false
	}
	return f, "", false
}

// steady is the sham: the two halves of a window in which nobody changed
// anything must not differ, drift apart.
func steady(rest []float64, tau, alpha float64) bool {
	half := len(rest) / 2
	b := cosines(half, tau)
	if b < leastCosines {
		return true // too short to tell
	}
	var m [2]mean
	var centred [maxBlocks]float64
	for k, part := range [2][]float64{rest[:half], rest[len(rest)-half:]} {
		v, _ := spread(part)
		for i := range part {
			centred[i] = part[i] - v
		}
		m[k] = mean{v, math.Sqrt(longRun(centred[:half], b) / float64(half)), float64(b)}
	}
	return difference(m[0], m[1]).p() >= alpha
}

// atTop tells a level that is at the end of its sensor for a fifth of its time.
func atTop(s series, top float64) bool {
	n := 0
	for _, v := range s.y {
		if v >= 0.97*top {
			n++
		}
	}
	return 5*n >= len(s.y)
}
