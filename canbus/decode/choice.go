package decode

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// patience is how long the present source of a signal may be not Good before
// a less preferred one takes over.
const patience = 2 * time.Second

// candidate is one source of a signal, as it was last heard.
type candidate struct {
	from     signal.Source
	rank     uint16 // lower is preferred
	quality  signal.Quality
	onChange bool
	value    float64
	at       signal.Instant // of the last reading
	goodAt   signal.Instant // of the last Good one
}

// choice picks one source for one signal:
//
//	a more preferred source takes over as soon as it is Good;
//	a less or equally preferred one that is Good takes over when the present
//	source is stale, or has not been Good for patience.
type choice struct {
	n          int
	present    int // index of the source in use; meaningful if n > 0
	candidates [8]candidate
	used       signal.Source // whose reading was last let through; meaningful if begun
	begun      bool
	changes    int // how often another source took over
	dispute    dispute
}

// dispute is a lasting disagreement between two Good sources.
type dispute struct {
	active  bool
	since   signal.Instant
	largest float64
	other   signal.Source
}

// find returns the candidate of a source. A new one gets a free place, or
// that of the least recently heard source that is not in use, once that is
// stale; nil if there is no such place.
func (c *choice) find(from signal.Source, now signal.Instant, maxAge time.Duration) (*candidate, bool) {
	for i := range c.n {
		if c.candidates[i].from == from {
			return &c.candidates[i], false
		}
	}
	place := c.n
	if c.n == len(c.candidates) {
		place = -1
		for i := range c.candidates {
			if i != c.present && (place < 0 || c.candidates[i].at < c.candidates[place].at) {
				place = i
			}
		}
		if now.Sub(c.candidates[place].at) <= maxAge {
			return nil, false
		}
	} else {
		c.n++
	}
	c.candidates[place] = candidate{from: from, at: signal.Never, goodAt: signal.Never}
	return &c.candidates[place], true
}

// admit tells whether the newest reading of a candidate is let through, and
// makes it the source in use if it takes over.
func (c *choice) admit(k *candidate, d *Decoder, maxAge time.Duration) bool {
	present := &c.candidates[c.present]
	switch {
	case k == present:
		return true
	case k.quality != signal.Good:
		return false
	case k.rank < present.rank,
		k.at.Sub(d.presentHeard(c)) > maxAge,
		present.quality != signal.Good && k.at.Sub(present.goodAt) > patience:
		for i := range c.n {
			if &c.candidates[i] == k {
				c.present = i
			}
		}
		return true
	}
	return false
}

// use notes whose reading is let through and tells whether that is a change.
func (c *choice) use(from signal.Source) (before signal.Source, changed bool) {
	before = c.used
	switch {
	case !c.begun:
		c.begun = true
	case before == from:
		return before, false
	default:
		c.changes++
	}
	c.used = from
	return before, true
}

// compare looks whether Good sources that are not stale disagree with the one
// in use. Tolerance is absolute; relative is a share of the larger value.
func (c *choice) compare(now signal.Instant, maxAge time.Duration, tolerance tolerance) {
	present := &c.candidates[c.present]
	usable := func(k *candidate) bool { return k.quality == signal.Good && now.Sub(k.at) <= maxAge }
	apart := false
	if usable(present) {
		for i := range c.n {
			k := &c.candidates[i]
			if i == c.present || !usable(k) {
				continue
			}
			d := math.Abs(k.value - present.value)
			if tolerance.angle && d > 180 {
				d = 360 - d
			}
			if d <= tolerance.absolute+tolerance.relative*math.Max(math.Abs(k.value), math.Abs(present.value)) {
				continue
			}
			if !c.dispute.active {
				c.dispute = dispute{active: true, since: now}
			}
			apart = true
			if d > c.dispute.largest {
				c.dispute.largest, c.dispute.other = d, k.from
			}
		}
	}
	if !apart {
		c.dispute = dispute{}
	}
}

// forget drops the sources at an address: all, or those of one route. If that
// of the signal is among them, the next source that is Good takes over.
func (c *choice) forget(face, address uint8, route signal.Route) {
	if c.n == 0 {
		return
	}
	present := c.candidates[c.present].from
	kept, at := 0, -1
	for i := range c.n {
		if k := c.candidates[i]; !comesBy(k.from, face, address, route) {
			c.candidates[kept] = k
			if k.from == present {
				at = kept
			}
			kept++
		}
	}
	c.n, c.present, c.dispute = kept, max(at, 0), dispute{}
	if at < 0 && kept > 0 {
		c.candidates[0].at, c.candidates[0].goodAt = signal.Never, signal.Never
	}
}

// comesBy tells whether a source is at an address and comes by a route, or by
// any if that is noRoute.
func comesBy(s signal.Source, face, address uint8, route signal.Route) bool {
	return s.Interface == face && s.Address == address && (route == noRoute || s.Route == route)
}

// move changes the address of sources.
func (c *choice) move(face, from, to uint8) {
	change := func(s *signal.Source) {
		if s.Interface == face && s.Address == from {
			s.Address = to
		}
	}
	for i := range c.n {
		change(&c.candidates[i].from)
	}
	change(&c.dispute.other)
	if c.begun {
		change(&c.used)
	}
}

// tolerance is by how much two sources of a signal may differ.
type tolerance struct {
	absolute, relative float64
	angle              bool // degrees of a circle
	compared           bool
}

// tolerances leave room for slip, delay and rounding: common practice, no
// source. Signals without one come from too unlike places to be compared.
func tolerances() (t [signal.Count]tolerance) {
	t[signal.GroundSpeed.ID] = tolerance{absolute: 1.5, relative: 0.15, compared: true}
	t[signal.EngineSpeed.ID] = tolerance{absolute: 40, relative: 0.03, compared: true}
	t[signal.EngineLoad.ID] = tolerance{absolute: 15, compared: true}
	t[signal.EngineTorque.ID] = tolerance{absolute: 15, compared: true}
	t[signal.FuelRate.ID] = tolerance{absolute: 5, relative: 0.15, compared: true}
	t[signal.Coolant.ID] = tolerance{absolute: 8, compared: true}
	t[signal.RotorSpeed.ID] = tolerance{absolute: 20, relative: 0.03, compared: true}
	t[signal.FanSpeed.ID] = tolerance{absolute: 30, relative: 0.03, compared: true}
	t[signal.Concave.ID] = tolerance{absolute: 5, compared: true}
	t[signal.UpperSieve.ID] = tolerance{absolute: 5, compared: true}
	t[signal.LowerSieve.ID] = tolerance{absolute: 5, compared: true}
	t[signal.GrainMoisture.ID] = tolerance{absolute: 3, compared: true}
	t[signal.Latitude.ID] = tolerance{absolute: 0.001, compared: true} // about 110 m
	t[signal.Longitude.ID] = tolerance{absolute: 0.002, angle: true, compared: true}
	return t
}
