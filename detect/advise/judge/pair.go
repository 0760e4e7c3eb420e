package judge

import (
	"fmt"
	"math"
)

// pair is the window before and the window after, side by side.
type pair struct {
	n               [2]int
	y, feed, at     [2][maxBlocks]float64
	rest            [2][maxBlocks]float64
	speed, moisture [2]float64 // means; not a number if not known
	feedMean        [2]float64
	feedBoth        float64 // mean of both
	feedSpace       float64 // their pooled standard deviation
	apart           bool    // the feeds are further apart than that
}

// load takes over all but the levels.
func (p *pair) load(windows [2]*Window) {
	start := min(windows[0].origin, windows[1].origin)
	squares, n := 0.0, 0.0
	for k, w := range windows {
		p.n[k] = w.n
		offset := w.origin.Sub(start).Seconds()
		for i := range w.n {
			b := w.block(i)
			p.feed[k][i] = max(float64(b.feed), leastFeed)
			p.at[k][i] = b.at + offset
			p.speed[k] += float64(b.speed) / float64(w.n)
			p.moisture[k] += float64(b.moisture) / float64(w.n)
		}
		var sd float64
		p.feedMean[k], sd = spread(p.feed[k][:w.n])
		squares += sd * sd * float64(w.n-1)
		n += float64(w.n)
		p.feedBoth += p.feedMean[k] * float64(w.n)
	}
	p.feedBoth /= n
	p.feedSpace = math.Sqrt(squares / (n - 2))
}

// loadSymptom takes over the symptom.
func (p *pair) loadSymptom(windows [2]*Window) {
	for k, w := range windows {
		for i := range w.n {
			p.y[k][i] = float64(w.block(i).symptom)
		}
	}
}

// loadSide takes over the side i. It is false if that is not known throughout.
func (p *pair) loadSide(windows [2]*Window, i int) bool {
	for k, w := range windows {
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

// series is the level of a window with the feed of lag blocks earlier.
func (p *pair) series(k, lag int) series {
	n := p.n[k]
	return series{p.y[k][lag:n], p.feed[k][:n-lag], p.at[k][lag:n]}
}

// Limits within which two windows are alike.
const (
	mostMoisture = 1.0  // points
	mostSpeed    = 0.25 // of the speed before
	leastFeed    = 0.1  // t/h: nothing goes through
	leastSpace   = 0.05 // of the feed: steadier than that is as good as steady
	mostApart    = 0.35 // of the feed before
)

// otherFeed is the clause that tells of feeds that are too far apart.
func (p *pair) otherFeed(c Criteria) string {
	return c.fromTo("the feed", p.feedMean, "t/h")
}

// unlike says why the windows cannot be compared, or nothing. Beyond one
// standard deviation of the feed its correction would rest on feeds that one of
// the windows has not seen: those are apart.
func (p *pair) unlike(c Criteria) (why string, mayPass bool) {
	switch {
	case math.Abs(p.moisture[1]-p.moisture[0]) > mostMoisture:
		return fmt.Sprintf("the grain's moisture went from %.1f to %.1f %%", p.moisture[0], p.moisture[1]), false
	case c.OfFeed:
		return "", false
	case min(p.feedMean[0], p.feedMean[1]) <= leastFeed:
		return "the feed is not known", false
	case math.Abs(p.feedMean[1]-p.feedMean[0]) > mostApart*p.feedMean[0]:
		return p.otherFeed(c), true
	case math.Abs(p.speed[1]-p.speed[0]) > mostSpeed*p.speed[0]:
		return c.fromTo("the ground speed", p.speed, "km/h"), true
	}
	p.apart = math.Abs(p.feedMean[1]-p.feedMean[0]) > max(p.feedSpace, leastSpace*p.feedBoth)
	return "", false
}
