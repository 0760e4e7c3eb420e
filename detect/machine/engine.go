package machine

import (
	"time"

	"chaffinch/canbus/signal"
)

// engineReference learns the speed that the engine keeps in work, against
// which it lugs. Governors droop by 3 to 8 % from no load to full load (common
// practice, no source), so what counts is the speed while cutting below full
// load. Until some of that has been seen, the speed of empty running less half
// a droop stands in.
type engineReference struct {
	cutting, empty   float64
	cuttingN, emptyN int // steps
}

const (
	referenceLoad  = 92  // %: above it the engine may lug already
	referenceLeast = 200 // steps: 20 s
	emptyLeast     = 50
	referenceShare = 1.0 / 600 // a step: a minute
	governedRPM    = 1400      // no combine threshes below
	halfDroop      = 0.97
	referenceEntry = 5 * time.Second
)

func (r *engineReference) step(s *State) {
	rpm, rpmOK := signal.EngineSpeed.Fresh(&s.Signals, s.Now)
	load, loadOK := signal.EngineLoad.Fresh(&s.Signals, s.Now)
	if rpmOK && loadOK && rpm > governedRPM && load < referenceLoad && s.Threshing == Yes {
		switch s.Activity {
		case Cutting:
			if s.Now.Sub(s.InCrop) >= referenceEntry {
				follow(&r.cutting, &r.cuttingN, float64(rpm))
			}
		case Turning, Waiting:
			follow(&r.empty, &r.emptyN, float64(rpm))
		}
	}
	e := &s.Engine
	switch {
	case r.cuttingN >= referenceLeast:
		e.Reference, e.ReferenceKnown = signal.RPM(r.cutting), true
	case r.emptyN >= emptyLeast:
		e.Reference, e.ReferenceKnown = signal.RPM(halfDroop*r.empty), true
	}
}

// follow is a mean over all steps at first, then over about the last minute.
func follow(mean *float64, n *int, v float64) {
	*n++
	*mean += max(referenceShare, 1/float64(*n)) * (v - *mean)
}
