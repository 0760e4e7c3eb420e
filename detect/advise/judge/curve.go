package judge

import "math"

// LossCurve is how a level of loss grows with feed on this machine, in this
// crop, at these settings: learned from the day's seconds, in bounded memory.
// It tells at which feed a loss is reached, and so what a limit costs. It
// assumes only that loss does not fall as feed grows. The zero LossCurve has
// learned nothing.
type LossCurve struct {
	bins [curveBins]curveBin
}

// curveBin gathers the seconds of one range of feed, older ones less and less.
type curveBin struct{ seconds, feed, level float64 }

const (
	curveBins  = 44
	curveFirst = 4.0  // t/h: the lower end of the first bin
	curveRatio = 1.08 // from bin to bin, up to some 118 t/h; the last takes the rest
	// curveMemoryS is after how many seconds of work e of them are forgotten:
	// longer than a field's patches, shorter than a day's dew.
	curveMemoryS = 2400
	// curveLeastS is how many seconds make a bin's mean worth reading: a level
	// that forgets itself in 5 s has then 3 readings that are its own.
	curveLeastS = 30
)

// Add learns from a second of steady work.
func (c *LossCurve) Add(feedTH, level float64) {
	if !finite(feedTH) || !finite(level) || feedTH < curveFirst || level < 0 {
		return
	}
	const keep = 1 - 1.0/curveMemoryS
	for i := range c.bins {
		b := &c.bins[i]
		b.seconds, b.feed, b.level = b.seconds*keep, b.feed*keep, b.level*keep
	}
	i := min(int(math.Log(feedTH/curveFirst)/math.Log(curveRatio)), curveBins-1)
	b := &c.bins[i]
	b.seconds, b.feed, b.level = b.seconds+1, b.feed+feedTH, b.level+level
}

// Reset forgets everything, for another crop.
func (c *LossCurve) Reset() { *c = LossCurve{} }

// Scale is for a change that made a level this many times what it was: what
// was learned before it goes on to count.
func (c *LossCurve) Scale(factor float64) {
	if !finite(factor) || factor < 0 {
		return
	}
	for i := range c.bins {
		c.bins[i].level *= factor
	}
}

// step is a stretch of the rising curve.
type step struct{ seconds, feed, level float64 }

// rising is the curve: the means of the bins, neighbours that fall put together
// until none does (pool adjacent violators: Ayer et al., Ann. Math. Statist.
// 26, 1955).
func (c *LossCurve) rising(buf *[curveBins]step) []step {
	steps := buf[:0]
	for _, b := range c.bins {
		if b.seconds < curveLeastS {
			continue
		}
		steps = append(steps, step{b.seconds, b.feed / b.seconds, b.level / b.seconds})
		for n := len(steps); n > 1 && steps[n-1].level < steps[n-2].level; n-- {
			a, b := steps[n-2], steps[n-1]
			s := a.seconds + b.seconds
			steps[n-2] = step{s, (a.feed*a.seconds + b.feed*b.seconds) / s, (a.level*a.seconds + b.level*b.seconds) / s}
			steps = steps[:n-1]
		}
	}
	return steps
}

// Level is the loss at a feed. ok is false outside the feeds that were seen.
func (c *LossCurve) Level(feedTH float64) (level float64, ok bool) {
	var buf [curveBins]step
	steps := c.rising(&buf)
	for i := 1; i < len(steps); i++ {
		a, b := steps[i-1], steps[i]
		if feedTH >= a.feed && feedTH <= b.feed {
			return a.level + (b.level-a.level)*(feedTH-a.feed)/(b.feed-a.feed), true
		}
	}
	return 0, false
}

// Feed is the feed at which a loss is reached. ok is false for a loss that was
// not seen: it may be within reach at any feed beyond.
func (c *LossCurve) Feed(level float64) (feedTH float64, ok bool) {
	var buf [curveBins]step
	steps := c.rising(&buf)
	for i := 1; i < len(steps); i++ {
		a, b := steps[i-1], steps[i]
		if level >= a.level && level <= b.level && b.level > a.level {
			return a.feed + (b.feed-a.feed)*(level-a.level)/(b.level-a.level), true
		}
	}
	return 0, false
}

// Seen is the range of feed that the curve spans; ok is false if it is none.
func (c *LossCurve) Seen() (from, to float64, ok bool) {
	var buf [curveBins]step
	steps := c.rising(&buf)
	if len(steps) < 2 {
		return 0, 0, false
	}
	return steps[0].feed, steps[len(steps)-1].feed, true
}

// Exponent is the p of loss as feed^p over the range that was seen. ok is
// false if that is less than a quarter of the feed.
func (c *LossCurve) Exponent() (p float64, ok bool) {
	var n, x, y, xx, xy float64
	var low, high float64
	for _, b := range c.bins {
		if b.seconds < curveLeastS || b.level <= 0 {
			continue
		}
		feed := b.feed / b.seconds
		if low == 0 {
			low = feed
		}
		high = feed
		lx, ly := math.Log(feed), math.Log(b.level/b.seconds)
		n, x, y = n+b.seconds, x+b.seconds*lx, y+b.seconds*ly
		xx, xy = xx+b.seconds*lx*lx, xy+b.seconds*lx*ly
	}
	if low == 0 || high < 1.25*low {
		return 0, false
	}
	return (xy - x*y/n) / (xx - x*x/n), true
}
