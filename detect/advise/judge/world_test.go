package judge

import (
	"flag"
	"math"
	"math/rand/v2"
	"time"

	"chaffinch/canbus/signal"
)

var runs = flag.Int("runs", 60, "simulated comparisons a line")

// world makes seconds of work as a machine with a loss sensor might give them.
type world struct {
	tau      float64 // s, of the level's own movements
	cv       float64 // their standard deviation, relative
	white    float64 // share of their variance that is white
	power    float64 // level grows as feed^power
	feedCV   float64 // movements of the feed over 20 s
	feedErr  float64 // error of the feed's estimate, relative, white
	lagS     int     // by which the level answers late, s
	sensorS  float64 // time constant of the sensor, s
	driftPct float64 // of the level over both windows, a straight line
	walk     float64 // random walk of the level, of its sd a second
	feedStep float64 // relative, between the windows
	change   float64 // of the level between the windows, relative
	additive bool    // the movements do not grow with the level
	sides    int     // levels beside it, which nothing changes
}

// usual is a loss sensor in a crop as it comes. No source gives its numbers
// together: coefficient of variation and memory are those that are told of
// loss sensors, the exponent is that of loss over feed.
func usual() world {
	return world{tau: 2, cv: 0.28, power: 3.5, feedCV: 0.1, feedErr: 0.05}
}

// ar is noise that forgets itself after tau seconds.
type ar struct{ phi, v float64 }

func newAR(r *rand.Rand, tau float64) ar { return ar{math.Exp(-1 / tau), r.NormFloat64()} }

func (a *ar) next(r *rand.Rand) float64 {
	a.v = a.phi*a.v + math.Sqrt(1-a.phi*a.phi)*r.NormFloat64()
	return a.v
}

// play is nb seconds before a change and na after it, with 40 s between.
func (w world) play(r *rand.Rand, nb, na int) (before, after []Second) {
	total := nb + settleS + na
	own, feedNoise, walk, smooth := newAR(r, w.tau), newAR(r, 20), 0.0, 0.0
	var sides [MaxSides]ar
	for i := range sides {
		sides[i] = newAR(r, w.tau)
	}
	var feeds [64]float64
	for i := -60; i < total; i++ {
		feed := 30 * max(1+w.feedCV*feedNoise.next(r), 0.2)
		if i >= nb {
			feed *= 1 + w.feedStep
		}
		feeds[(i+128)%64] = feed
		if i > 0 {
			walk += w.walk * r.NormFloat64()
		}
		e := math.Sqrt(1-w.white)*own.next(r) + math.Sqrt(w.white)*r.NormFloat64() + walk
		growth := math.Pow(feeds[(i+128-w.lagS)%64]/30, w.power)
		level := 20 * growth
		if i >= nb {
			level *= 1 + w.change
		}
		if w.additive {
			level += 20 * w.cv * e
		} else {
			level *= 1 + w.cv*e
		}
		level = max(level*(1+w.driftPct/100*float64(i)/float64(total)), 0)
		smooth += (level - smooth) / max(w.sensorS, 1)
		s := Second{At: signal.Instant(0).Add(time.Duration(i) * time.Second), Symptom: smooth,
			FeedTH: feed * (1 + w.feedErr*r.NormFloat64()), SpeedKmh: 5}
		for k := range w.sides {
			s.Sides[k], s.SidesKnown[k] = max(10*growth*(1+w.cv*sides[k].next(r)), 0), true
		}
		switch {
		case i >= 0 && i < nb:
			before = append(before, s)
		case i >= nb+settleS:
			after = append(after, s)
		}
	}
	return before, after
}

func window(seconds []Second) *Window {
	w := new(Window)
	for _, s := range seconds {
		w.Add(s)
	}
	return w
}

// share is a rate in percent with its Monte Carlo error.
func share(n, of int) (pct, se float64) {
	p := float64(n) / float64(of)
	return 100 * p, 100 * math.Sqrt(max(p*(1-p), 1/float64(of))/float64(of))
}
