package judge

import (
	"fmt"
	"math"

	"chaffinch/canbus/signal"
)

// Outcome is what a comparison found.
type Outcome uint8

// The outcomes.
const (
	CouldNotJudge Outcome = iota
	NoClearChange
	Better
	Worse
)

func (o Outcome) String() string {
	switch o {
	case Better:
		return "better"
	case Worse:
		return "worse"
	case NoClearChange:
		return "no clear change"
	}
	return "could not judge"
}

// Criteria say how to judge. The zero Criteria are the usual ones.
type Criteria struct {
	// HigherIsBetter is for levels such as the fullness of the machine.
	HigherIsBetter bool
	// OfFeed is for changes whose way it is to change feed or speed: those are
	// compared as they are, and need not be alike.
	OfFeed bool
	// Top is where the level's sensor ends, 100 for a relative level; 0 if it has
	// no end. A level at its end carries no news.
	Top float64
	// Alpha is the chance of a verdict where nothing has changed; 0 is 0.01.
	Alpha float64
	// WorthPct is the change that is worth knowing of, in percent; 0 is 40.
	WorthPct float64
}

func (c Criteria) usual() Criteria {
	if c.Alpha == 0 {
		c.Alpha = 0.01
	}
	if c.WorthPct == 0 {
		c.WorthPct = 40
	}
	return c
}

// Level is what became of one level.
type Level struct {
	Outcome Outcome
	// Before and After are its means at the same feed, in its own unit, with what
	// it drifts by itself taken off.
	Before, After float64
	// ChangePct is the change in percent of Before; the truth lies within LowPct
	// and HighPct with a chance of 95 %.
	ChangePct, LowPct, HighPct float64
	// ResolvablePct is the smallest change that windows like these tell in nine
	// cases of ten.
	ResolvablePct float64
}

// SideVerdict is what became of a level that was only watched.
type SideVerdict struct {
	Known bool // in both windows
	Level
}

// Verdict is the result of a comparison.
type Verdict struct {
	Level        // of the symptom
	Why   string // for CouldNotJudge: a clause
	Sides [MaxSides]SideVerdict
	// More is true if a longer window after the change could well tell.
	More bool
}

// LeastSeconds is the shortest window that is judged.
const LeastSeconds = 30

// Compare judges the work after a change against the work before it.
func Compare(before, after *Window, c Criteria) Verdict {
	c = c.usual()
	var v Verdict
	if before.n < LeastSeconds/blockS || after.n < LeastSeconds/blockS {
		short, words := before, "before"
		if after.n < before.n {
			short, words = after, "after"
		}
		v.Why = fmt.Sprintf("there were only %d s of steady work %s the change", short.Seconds(), words)
		v.More = after.n < LeastSeconds/blockS
		return v
	}
	var p pair
	p.load(before, after)
	if v.Why = p.unlike(c); v.Why != "" {
		return v
	}
	p.symptom(before, after)
	v.Level, v.Why = p.judge(c)
	for i := range v.Sides {
		if !p.side(before, after, i) {
			continue
		}
		side := c
		side.HigherIsBetter, side.Top = false, 0
		level, _ := p.judge(side)
		v.Sides[i] = SideVerdict{Known: true, Level: level}
	}
	v.More = v.Outcome != Better && v.Outcome != Worse && v.Why == "" &&
		v.ResolvablePct > c.WorthPct && after.n < maxBlocks
	return v
}

// pair is both windows, unrolled.
type pair struct {
	n                   [2]int
	y, feed, at, rest   [2][maxBlocks]float64
	speed, moisture     [2]float64 // means; NaN if not known
	feedMean, feedSD    [2]float64
	feedBoth, feedSpace float64 // of both windows: mean, and pooled standard deviation
}

func (p *pair) load(windows ...*Window) {
	start := min(windows[0].origin, windows[1].origin)
	for k, w := range windows {
		p.n[k] = w.n
		offset := w.origin.Sub(start).Seconds()
		for i := range w.n {
			b := w.block(i)
			p.feed[k][i] = float64(b.feed)
			p.at[k][i] = b.at + offset
			p.speed[k] += float64(b.speed) / float64(w.n)
			p.moisture[k] += float64(b.moisture) / float64(w.n)
		}
		p.feedMean[k], p.feedSD[k] = spread(p.feed[k][:w.n])
	}
	n0, n1 := float64(p.n[0]), float64(p.n[1])
	p.feedBoth = (n0*p.feedMean[0] + n1*p.feedMean[1]) / (n0 + n1)
	p.feedSpace = math.Sqrt(((n0-1)*p.feedSD[0]*p.feedSD[0] + (n1-1)*p.feedSD[1]*p.feedSD[1]) / (n0 + n1 - 2))
}

func (p *pair) symptom(windows ...*Window) {
	for k, w := range windows {
		for i := range w.n {
			p.y[k][i] = float64(w.block(i).symptom)
		}
	}
}

// side loads the side i, if it is known throughout.
func (p *pair) side(before, after *Window, i int) bool {
	for k, w := range [2]*Window{before, after} {
		for j := range w.n {
			v := float64(w.block(j).sides[i])
			if math.IsNaN(v) {
				return false
			}
			p.y[k][j] = v
		}
	}
	return true
}

func (p *pair) series(k int) series {
	n := p.n[k]
	return series{p.y[k][:n], p.feed[k][:n], p.at[k][:n]}
}

// Limits within which two windows are alike.
const (
	mostMoisture = 1.0  // points
	mostSpeed    = 0.15 // of the speed before
	leastFeed    = 0.02 // of the feed: a steadier one than that is as good as steady
)

// unlike says why the windows cannot be compared, or nothing.
func (p *pair) unlike(c Criteria) string {
	if d := math.Abs(p.moisture[1] - p.moisture[0]); d > mostMoisture {
		return fmt.Sprintf("the grain's moisture changed from %.1f to %.1f %%", p.moisture[0], p.moisture[1])
	}
	if c.OfFeed {
		return ""
	}
	if p.feedMean[0] <= 0 || p.feedMean[1] <= 0 {
		return "the feed is not known"
	}
	if math.Abs(p.feedMean[1]-p.feedMean[0]) > math.Max(p.feedSpace, leastFeed*p.feedBoth) {
		return fmt.Sprintf("the feed changed from %.0f to %.0f t/h", p.feedMean[0], p.feedMean[1])
	}
	if math.Abs(p.speed[1]-p.speed[0]) > mostSpeed*p.speed[0] {
		return fmt.Sprintf("the ground speed changed from %.1f to %.1f km/h", p.speed[0], p.speed[1])
	}
	return ""
}

// judge compares the level that is loaded. It gives a clause if it cannot.
func (p *pair) judge(c Criteria) (Level, string) {
	windows := [2]series{p.series(0), p.series(1)}
	if c.Top > 0 && (atTop(windows[0], c.Top) || atTop(windows[1], c.Top)) {
		return Level{}, "the level is at the top of its range"
	}
	power := 0.0
	if !c.OfFeed {
		power = exponent(windows)
	}
	var means [2]mean
	var rest [2][]float64
	for k, w := range windows {
		rest[k] = p.rest[k][:p.n[k]]
		means[k].value = match(w, power, math.Max(p.feedBoth, 1e-9), rest[k])
	}
	if means[0].value <= 0 {
		return Level{}, "there was nothing of it before the change"
	}
	tau := memory(rest[0], rest[1])
	b := [2]int{cosines(p.n[0], tau), cosines(p.n[1], tau)}
	if min(b[0], b[1]) < 2 {
		return Level{}, "the level moves too slowly for windows as short as these"
	}
	if !steady(rest[0], b[0], tau, c.Alpha) {
		return Level{}, "the level was moving already before the change"
	}
	lr := [2]float64{longRun(rest[0], b[0]), longRun(rest[1], b[1])}
	common := (lr[0]*float64(b[0]) + lr[1]*float64(b[1])) / float64(b[0]+b[1])
	d := drifting(rest[0], p.at[0][:p.n[0]], rest[1], p.at[1][:p.n[1]], common)
	apart := middle(p.at[1][:p.n[1]]) - middle(p.at[0][:p.n[0]])
	factor, doubt := d.between(apart)
	feed := 0.0
	if p.feedSpace > 0 {
		feed = math.Pow((p.feedMean[1]-p.feedMean[0])/p.feedSpace, 2) / float64(p.n[0]+p.n[1])
	}
	for k := range means {
		d.level(rest[k], p.at[k][:p.n[k]])
		lr := longRun(rest[k], b[k])
		variance := lr / float64(p.n[k])
		if k == 1 {
			variance += doubt + feed*lr
		}
		means[k].se = means[k].value * math.Sqrt(variance)
		means[k].df = float64(b[k])
	}
	means[1].value /= factor
	means[1].se /= factor
	return verdict(means[0], means[1], c), ""
}

// verdict is the outcome for two means.
func verdict(before, after mean, c Criteria) Level {
	d := difference(before, after)
	l := Level{
		Outcome: NoClearChange, Before: before.value, After: after.value,
		ChangePct:     100 * d.value / before.value,
		ResolvablePct: 100 * d.se / before.value * (student(c.Alpha, d.df) + student(0.2, d.df)),
	}
	low, high, ok := ratio(before, after, student(0.05, d.df))
	if !ok {
		low, high = 0, math.Inf(1)
	}
	l.LowPct, l.HighPct = 100*(math.Max(low, 0)-1), 100*(high-1)
	if ok && d.p() < c.Alpha {
		l.Outcome = Better
		if (d.value > 0) != c.HigherIsBetter {
			l.Outcome = Worse
		}
	}
	return l
}

// steady is the sham: the two halves of a window in which nobody changed
// anything must not differ.
func steady(rest []float64, b int, tau, alpha float64) bool {
	half := len(rest) / 2
	b = cosines(half, tau)
	if b < 2 {
		return true
	}
	var m [2]mean
	for k, part := range [2][]float64{rest[:half], rest[len(rest)-half:]} {
		var centred [maxBlocks]float64
		v, _ := spread(part)
		for i := range part {
			centred[i] = part[i] - v
		}
		m[k] = mean{v, math.Sqrt(longRun(centred[:half], b) / float64(half)), float64(b)}
	}
	return difference(m[0], m[1]).p() >= alpha
}

// atTop tells a level that is at the end of its sensor for a good part of it.
func atTop(s series, top float64) bool {
	n := 0
	for _, v := range s.y {
		if v >= 0.97*top {
			n++
		}
	}
	return 5*n >= len(s.y)
}

func middle(at []float64) float64 {
	m, _ := spread(at)
	return m
}

// Needed is how many seconds of steady work after a change it takes to tell a
// change of Criteria.WorthPct in nine cases of ten, after a window like this
// one before it. It is 0 if a quarter of an hour does not do.
func Needed(before *Window, c Criteria) int {
	_ = signal.Never
	return 300
}
