package find

import (
	"math"

	"chaffinch/canbus/signal"
)

// What is expected of a map before any reading is seen. The shares are
// judgement, no measurement: SAE J1939-71, ISO 11783-7 and NMEA 2000 use round
// scales and mostly no offset; makers' own frames do so often.
const (
	shareRoundScale = 0.5  // a round scale with a round offset
	shareRoundFree  = 0.08 // a round scale with any offset
	shareFreeScale  = 0.24 // any scale without offset
	shareFree       = 0.18 // any scale, any offset
	shareNoOffset   = 0.7  // among round offsets
	likelyScales    = 10   // round scales with which a field of a given length suits a signal
	wholeEnd        = 1.2  // a longer field ends with a byte; natural logarithm
	shareFalling    = 0.03 // the signal falls as the raw value rises
)

// roundScales are the steps that standards use, in whatever unit: 1, 2 and 5
// (also 4 and 8) times powers of ten and powers of a half.
var roundScales = [...]float64{
	0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100,
	0.4, 0.8, 0.04, 0.25, 4, 8, 16, 0.125, 0.0625, 1.0 / 32, 1.0 / 64, 1.0 / 128, 1.0 / 256, 1.0 / 512, 1.0 / 1024,
}

// speedScales are 0.001, 0.01, 0.1 and 1 m/s in km/h.
var speedScales = [...]float64{0.0036, 0.036, 0.36, 3.6}

// roundOffsets are those of SAE J1939-71 and ISO 11783-7, but 0.
var roundOffsets = [...]float64{-40, -50, -100, -125, -200, -210, -250, -273, -273.15, -400, -500, -1000, -2500, -32000}

// leastExplained is what the readings have to say for a line, as a natural
// logarithm, before it is worth a closer look.
const leastExplained = 5

// law is a line with what speaks for it.
type law struct {
	line
	round bool    // scale and offset are round ones
	score float64 // natural logarithm of its odds against no relation at all
	fit   float64 // of that, what the readings say
}

// judge weighs the line that the readings suggest, and the round ones near it,
// for the core f and for each longer field that has the same numbers.
func (d *display) judge(f field, moments []moment, at []float64, spans []span, l line, id signal.ID) (field, law) {
	best, bestLaw := f, law{score: math.Inf(-1)}
	free := d.explained(&f, moments, l)
	if free < leastExplained {
		return best, bestLaw
	}
	// A free parameter costs what one reading tells, and more the better the
	// others narrow it down.
	cost := max(0, free/float64(len(spans))) + math.Log(max(1, float64(len(spans))/3))
	info := id.Info()
	scales := roundScales[:]
	if info.Unit == "km/h" {
		scales = append(scales[:len(scales):len(scales)], speedScales[:]...)
	}

	consider := func(g field, shift float64, l line, fit, prior float64, round bool) {
		score := fit + prior + coverPrior(l.scale, g.length(), info)
		if (g.high+1)%8 == 0 && g.high > f.high {
			score += wholeEnd
		}
		if l.scale < 0 {
			score += math.Log(shareFalling)
		}
		if score > bestLaw.score {
			best = g
			bestLaw = law{line{l.scale, l.offset - l.scale*shift}, round, score, fit}
		}
	}
	tolerance, wide := d.scaleTolerance(spans, at, l)
	extend(f, func(g field, shift float64) {
		// shift is what g reads more than f.
		consider(g, shift, l, free, math.Log(shareFree)-2*cost, false)
		if s, ok := d.scaleFor(at, spans, shift); ok && math.Abs(s-l.scale) <= tolerance {
			none := line{s, s * shift}
			consider(g, shift, none, d.explained(&f, moments, none), math.Log(shareFreeScale)-cost, false)
		}
		for _, r := range scales {
			r = math.Copysign(r, l.scale)
			if math.Abs(r-l.scale) > tolerance {
				continue
			}
			prior := -math.Log(likelyScales)
			b := d.through(at, spans, r)
			near := 2*d.step + 2*math.Abs(r) + math.Abs(r)*wide
			any := line{r, b}
			consider(g, shift, any, d.explained(&f, moments, any), math.Log(shareRoundFree)+prior-cost, false)
			zero := line{r, r * shift}
			if math.Abs(zero.offset-b) <= near {
				consider(g, shift, zero, d.explained(&f, moments, zero), math.Log(shareRoundScale*shareNoOffset)+prior, true)
			}
			middle := -r * float64(uint64(1)<<(g.length()-1))
			for i := range len(roundOffsets) + 1 {
				o := middle
				if i < len(roundOffsets) {
					o = roundOffsets[i]
				}
				l := line{r, o + r*shift}
				if math.Abs(l.offset-b) <= near {
					consider(g, shift, l, d.explained(&f, moments, l), math.Log(shareRoundScale*(1-shareNoOffset)/float64(len(roundOffsets)+1))+prior, true)
				}
			}
		}
	})
	return best, bestLaw
}

// scaleTolerance is how far the scale may be off, and the usual width of the
// spans.
func (d *display) scaleTolerance(spans []span, at []float64, l line) (tolerance, wide float64) {
	low, high := math.Inf(1), math.Inf(-1)
	for i, s := range spans {
		if s.present {
			low, high = min(low, at[i]), max(high, at[i])
			wide += (s.high - s.low) / float64(len(spans))
		}
	}
	return (2*d.slack(l.scale) + math.Abs(l.scale)*wide) / max(high-low, 1e-9), wide
}

// through is the offset of the line with the scale that goes through the middle.
func (d *display) through(at []float64, spans []span, scale float64) float64 {
	var sum, n float64
	for i := range spans {
		if spans[i].present {
			sum += d.values[i] - scale*at[i]
			n++
		}
	}
	return sum / n
}

// scaleFor is the scale of the best line without offset for numbers that are
// shift higher.
func (d *display) scaleFor(at []float64, spans []span, shift float64) (float64, bool) {
	var xx, xy float64
	for i := range spans {
		if x := at[i] + shift; spans[i].present {
			xx += x * x
			xy += x * d.values[i]
		}
	}
	return xy / xx, xx > 0
}

// extend calls each with the core and with the longer fields that hold the
// same numbers, more a constant: those whose further bits never change. A
// signed field grows over copies of its sign.
func extend(f field, each func(g field, shift float64)) {
	if f.signed {
		for g := f; ; g.high++ {
			if g.length() >= shortest {
				each(g, 0)
			}
			if g.length() == longest || g.high == 63 || !f.copiesSign(g.high+1) {
				return
			}
		}
	}
	room := min(f.room(f.order, f.high), f.low+longest-1)
	var sample uint64
	if len(f.history) > 0 {
		sample = word(f.history[0].data, f.order)
	}
	for g := f; ; g.high++ {
		if g.length() >= shortest {
			each(g, float64(sample>>f.low&(1<<g.length()-1)&^(1<<f.length()-1)))
		}
		if g.high >= room {
			return
		}
	}
}

// roundDown gives a field whole bytes if all that it lacks at its lower end are
// zeros that never change: a sender need not use the last bits.
func (f *field) roundDown(l law) (field, law) {
	low := f.low / 8 * 8
	n := f.low - low
	if n == 0 || (f.high+1)%8 != 0 || f.high-low+1 > longest || len(f.history) == 0 {
		return *f, l
	}
	unused := uint64(1<<n-1) << low
	taken := f.varying
	if f.selected {
		taken |= f.selector.mask()
	}
	if (word(taken, f.order)|word(f.history[0].data, f.order))&unused != 0 {
		return *f, l
	}
	g := *f
	g.low = low
	l.scale /= float64(uint64(1) << n)
	return g, l
}

// copiesSign tells whether a bit above the field is always like its highest.
func (f *field) copiesSign(bit uint8) bool {
	if f.selected && word(f.selector.mask(), f.order)>>bit&1 == 1 || len(f.history) == 0 {
		return false
	}
	for i := range f.history {
		w := word(f.history[i].data, f.order)
		if w>>bit&1 != w>>f.high&1 {
			return false
		}
	}
	return true
}

// coverPrior compares what the field can say with what the signal can be: a
// field is made a few times larger than its signal needs.
func coverPrior(scale float64, length uint8, info *signal.Info) float64 {
	cover := math.Abs(scale) * math.Pow(2, float64(length)) / (info.Max - info.Min)
	x := math.Log(cover/2.5) / math.Log(4)
	if cover < 2.5 {
		x *= 2.5 // it could not even say all that the signal can be
	}
	return max(-6, -0.5*x*x)
}
