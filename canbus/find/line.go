package find

import (
	"math"

	"chaffinch/canbus"
)

// A reading that is wrong altogether: mistyped, or of another moment.
const wrongReading = 0.004

// display is what is known of the readings.
type display struct {
	values []float64
	step   float64
	spread float64 // over which readings fall if nothing explains them
	late   float64 // s
	stamps []int64
}

func newDisplay(q Query) display {
	d := display{step: q.Step, late: q.Late.Seconds()}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range q.Readings {
		d.values = append(d.values, r.Value)
		d.stamps = append(d.stamps, r.Stamp)
		low, high = min(low, r.Value), max(high, r.Value)
	}
	d.spread = max(1.4*(high-low), 4*q.Step)
	return d
}

// chance is how likely it is that the display showed what stood on the bus so
// long before a reading, up to a constant.
func (d *display) chance(secondsBefore float64) float64 {
	switch {
	case secondsBefore < -lead.Seconds() || secondsBefore > d.late+earlier.Seconds():
		return 0
	case secondsBefore < 0:
		return 0.15
	case secondsBefore <= d.late:
		return 1
	}
	return 0.15
}

const mostSamples = 24 // of a reading's time that are looked at

// moment is what the stream sent around one reading: values that stood one
// after another, each with the chance that it is the one that was read.
type moment struct {
	words  []uint64
	chance []float64
}

// moments weighs the stream's samples in an order of bytes. A value stands
// until the next one is sent.
func (s *stream) moments(d *display, order canbus.ByteOrder) []moment {
	out := make([]moment, len(s.around))
	for i, samples := range s.around {
		var sum float64
		m := &out[i]
		for k := 0; k < len(samples); k++ {
			until := d.stamps[i] + int64(lead)
			if k+1 < len(samples) {
				until = samples[k+1].stamp
			}
			p := d.between(float64(d.stamps[i]-until)/1e9, float64(d.stamps[i]-samples[k].stamp)/1e9)
			if p == 0 {
				if len(m.words) > 0 { // where the last value went
					m.words = append(m.words, word(samples[k].data, order))
					m.chance = append(m.chance, 0)
					break
				}
				continue
			}
			m.words = append(m.words, word(samples[k].data, order))
			m.chance = append(m.chance, p)
			sum += p
		}
		m.thin()
		for k := range m.chance {
			m.chance[k] /= sum
		}
	}
	return out
}

// thin joins neighbours until there are few enough.
func (m *moment) thin() {
	for len(m.words) > mostSamples {
		n := 0
		for k := 0; k < len(m.words); k += 2 {
			m.words[n], m.chance[n] = m.words[k], m.chance[k]
			if k+1 < len(m.words) {
				m.chance[n] += m.chance[k+1]
			}
			n++
		}
		m.words, m.chance = m.words[:n], m.chance[:n]
	}
}

// between integrates chance.
func (d *display) between(from, to float64) float64 {
	var sum float64
	for _, part := range [...][2]float64{{-lead.Seconds(), 0}, {0, d.late}, {d.late, d.late + earlier.Seconds()}} {
		if w := min(to, part[1]) - max(from, part[0]); w > 0 {
			sum += w * d.chance((part[0]+part[1])/2)
		}
	}
	return sum
}

// span is what a field did around a reading.
type span struct {
	low, high, mean float64
	present         bool
}

// line is a straight line from raw value to signal.
type line struct{ scale, offset float64 }

func (l line) at(raw float64) float64 { return l.scale*raw + l.offset }

// slack is half the width within which a display agrees with a field.
func (d *display) slack(scale float64) float64 { return 0.52*d.step + 0.5*math.Abs(scale) }

// spans summarises the field around each reading.
func (f *field) spans(moments []moment, out []span) {
	for i := range moments {
		m := &moments[i]
		s := span{low: math.Inf(1), high: math.Inf(-1), present: len(m.words) > 0}
		for k, w := range m.words {
			x := f.raw(w)
			s.low, s.high = min(s.low, x), max(s.high, x)
			s.mean += m.chance[k] * x
		}
		out[i] = s
	}
}

// fit finds the straight line that comes nearest to the readings, given that
// each may be of any value of its span: least squares on the means, those of
// narrow spans counting most, then on the values of the spans that come nearest.
// It is false if a line makes no sense or misses more than one reading. The
// values are left in at; weight is room for working.
func (d *display) fit(spans []span, at, weight []float64) (line, bool) {
	present := 0
	low, high := math.Inf(1), math.Inf(-1)
	for i, s := range spans {
		at[i] = s.mean
		if s.present {
			present++
			low, high = min(low, s.mean), max(high, s.mean)
		}
	}
	if present < FewestReadings || present < len(spans)-1 || low == high {
		return line{}, false
	}
	floor := 0.25 + 1e-4*(high-low)*(high-low)
	for i, s := range spans {
		weight[i] = 0
		if s.present {
			weight[i] = 1 / (floor + (s.high-s.low)*(s.high-s.low)/4)
		}
	}
	l, ok := d.settle(spans, at, weight)
	if !ok || d.missed(spans, l) <= len(spans)-present {
		return l, ok
	}
	if len(spans) < 5 {
		return l, false
	}
	// One reading may be wrong: leave out the one that is furthest off.
	worst, far := -1, 0.0
	for i, s := range spans {
		if s.present {
			if off := math.Abs(d.values[i]-l.at(at[i])) * math.Sqrt(weight[i]); off > far {
				worst, far = i, off
			}
		}
	}
	if worst < 0 {
		return l, false
	}
	weight[worst] = 0
	for i, s := range spans {
		at[i] = s.mean
	}
	if l, ok = d.settle(spans, at, weight); !ok {
		return l, false
	}
	at[worst] = min(max((d.values[worst]-l.offset)/l.scale, spans[worst].low), spans[worst].high)
	return l, d.missed(spans, l) <= 1
}

// settle moves between the best line for the values and the best values for
// the line.
func (d *display) settle(spans []span, at, weight []float64) (line, bool) {
	l, ok := d.leastSquares(at, weight)
	for range 3 {
		if !ok {
			return l, false
		}
		for i, s := range spans {
			if weight[i] > 0 {
				at[i] = min(max((d.values[i]-l.offset)/l.scale, s.low), s.high)
			}
		}
		l, ok = d.leastSquares(at, weight)
	}
	return l, ok
}

// missed counts the readings that the line does not reach.
func (d *display) missed(spans []span, l line) int {
	n := 0
	reach := d.slack(l.scale) + 0.6*d.step
	for i, s := range spans {
		low, high := l.at(s.low), l.at(s.high)
		if !s.present || d.values[i] < min(low, high)-reach || d.values[i] > max(low, high)+reach {
			n++
		}
	}
	return n
}

func (d *display) leastSquares(at, weight []float64) (line, bool) {
	var n, sx, sy float64
	for i, w := range weight {
		if w > 0 {
			n += w
			sx += w * at[i]
			sy += w * d.values[i]
		}
	}
	mx, my := sx/n, sy/n
	var xx, xy float64
	for i, w := range weight {
		if w > 0 {
			xx += w * (at[i] - mx) * (at[i] - mx)
			xy += w * (at[i] - mx) * (d.values[i] - my)
		}
	}
	if !(xx > 0) || xy == 0 {
		return line{}, false
	}
	a := xy / xx
	return line{a, my - a*mx}, true
}

// explained is the logarithm of how much better the line explains the readings
// than falling anywhere in their spread, for the line as it is.
func (d *display) explained(f *field, moments []moment, l line) float64 {
	var sum float64
	slack, blur := d.slack(l.scale), 0.12*d.step
	for i := range moments {
		m := &moments[i]
		p := 0.0
		for k, w := range m.words {
			from := l.at(f.raw(w))
			to := from
			if k+1 < len(m.words) {
				to = l.at(f.raw(m.words[k+1]))
			}
			if from > to {
				from, to = to, from
			}
			q := 1 / (to - from + 2*slack + blur*2.5066)
			if off := max(from-slack-d.values[i], d.values[i]-to-slack) / blur; off > 6 {
				continue
			} else if off > 0 {
				q *= math.Exp(-off * off / 2)
			}
			p += m.chance[k] * q
		}
		sum += math.Log((1-wrongReading)*p*d.spread + wrongReading)
	}
	return sum
}

// polish improves a line where the field moved much around the readings, so
// that it matters which of its values was read: expectation maximisation, in
// which a reading counts the less the less is known of its value.
func (d *display) polish(f *field, moments []moment, l line) line {
	best, bestFit := l, d.explained(f, moments, l)
	if bestFit < 1 {
		return l
	}
	for _, soft := range [...]float64{3, 1.5, 0.7, 0.3, 0.3} {
		var n, sx, sy, sxx, sxy float64
		for i := range moments {
			m := &moments[i]
			blur := soft*d.step + 0.3*d.slack(l.scale)
			target := (d.values[i] - l.offset) / l.scale
			var sum, mean, square float64
			for k, w := range m.words {
				a := f.raw(w)
				b := a
				if k+1 < len(m.words) {
					b = f.raw(m.words[k+1])
				}
				if a > b {
					a, b = b, a
				}
				x := min(max(target, a), b)
				off := (x - target) * l.scale / blur
				p := m.chance[k] / (math.Abs(l.scale)*(b-a) + 2*d.slack(l.scale))
				switch {
				case off*off > 60:
					p = 0
				case off != 0:
					p *= math.Exp(-off * off / 2)
				}
				sum += p
				mean += p * x
				square += p * x * x
			}
			if sum == 0 {
				continue
			}
			mean /= sum
			spread := l.scale * l.scale * max(0, square/sum-mean*mean)
			weight := 1 / (spread + d.step*d.step/4 + l.scale*l.scale/4)
			n += weight
			sx += weight * mean
			sy += weight * d.values[i]
			sxx += weight * mean * mean
			sxy += weight * mean * d.values[i]
		}
		det := n*sxx - sx*sx
		if det <= 1e-12*n*sxx {
			break
		}
		l = line{(n*sxy - sx*sy) / det, 0}
		if l.scale == 0 || math.IsNaN(l.scale) {
			break
		}
		l.offset = (sy - l.scale*sx) / n
		if fit := d.explained(f, moments, l); fit > bestFit {
			best, bestFit = l, fit
		}
	}
	return best
}
