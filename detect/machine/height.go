package machine

import "chaffinch/canbus/signal"

// heightSplit learns at which height this machine's header works and to which
// it is raised on the headland, as the zero of the sensor differs from machine
// to machine. Two means follow the two clusters (k-means of two, one pass); the
// limit lies between them, nearer to the low one.
type heightSplit struct {
	low, high float64
	learned   bool
}

const (
	firstLimitMM  = 400  // until learned: stubble is seldom left higher (common practice, no source)
	leastApartMM  = 150  // clusters closer than this are one
	heightShare   = 0.01 // a step, towards a height inside the clusters
	widenShare    = 0.1  // a step, towards one outside: a lone spike moves little
	limitFraction = 0.4
)

// step learns while the threshing part is engaged and the machine moves, when
// the header is either at work or raised for a turn.
func (h *heightSplit) step(s *State, moving Tri) {
	v, ok := signal.HeaderHeight.Fresh(&s.Signals, s.Now)
	if !ok || s.Threshing != Yes || moving != Yes {
		return
	}
	mm := float64(v)
	if !h.learned {
		h.low, h.high, h.learned = mm, mm, true
		return
	}
	switch {
	case mm < h.low:
		h.low += widenShare * (mm - h.low)
	case mm > h.high:
		h.high += widenShare * (mm - h.high)
	case mm-h.low < h.high-mm:
		h.low += heightShare * (mm - h.low)
	default:
		h.high += heightShare * (mm - h.high)
	}
}

// limit is the height under which the header counts as in work.
func (h *heightSplit) limit() float64 {
	if !h.learned || h.high-h.low < leastApartMM {
		return firstLimitMM
	}
	return h.low + limitFraction*(h.high-h.low)
}
