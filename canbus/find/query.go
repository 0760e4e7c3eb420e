package find

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"chaffinch/canbus/signal"
)

// Reading is what a display said.
type Reading struct {
	// Stamp is when it was noted, on the clock of Frame.Stamp, in nanoseconds.
	Stamp int64
	Value float64 // in the signal's unit
}

// Query asks for a signal.
type Query struct {
	Signal   signal.ID
	Readings []Reading
	// Step is the step of the display, in the signal's unit; 0 to work it out
	// from the readings.
	Step float64
	// Late is how long after the value stood on the bus a reading may have been
	// noted; 0 for a second.
	Late time.Duration
	// Best is how many candidates the result lists; 0 for five.
	Best int
}

const (
	usualLate = time.Second
	usualBest = 5
	// FewestReadings is how many readings a search needs.
	FewestReadings = 3
)

// prepare checks a query and fills in what it leaves out. The readings come
// back in order of time.
func (q Query) prepare() (Query, error) {
	if int(q.Signal) >= signal.Count {
		return q, fmt.Errorf("find: no signal has the number %d", q.Signal)
	}
	q.Readings = slices.Clone(q.Readings)
	slices.SortStableFunc(q.Readings, func(a, b Reading) int {
		switch {
		case a.Stamp < b.Stamp:
			return -1
		case a.Stamp > b.Stamp:
			return 1
		}
		return 0
	})
	if len(q.Readings) < FewestReadings {
		return q, fmt.Errorf("find: %d readings; a search needs at least %d", len(q.Readings), FewestReadings)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range q.Readings {
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
			return q, errors.New("find: a reading is not a number")
		}
		low, high = min(low, r.Value), max(high, r.Value)
	}
	if low == high {
		return q, errors.New("find: all readings are the same; take them while the value changes")
	}
	if q.Step < 0 || math.IsNaN(q.Step) || math.IsInf(q.Step, 0) {
		return q, fmt.Errorf("find: a display cannot have the step %v", q.Step)
	}
	if q.Step == 0 {
		q.Step = displayStep(q.Readings)
	}
	if q.Late <= 0 {
		q.Late = usualLate
	}
	if q.Best <= 0 {
		q.Best = usualBest
	}
	return q, nil
}

// displayStep is the coarsest step that the readings allow without much of a
// coincidence: 1, 2 or 5 times a power of ten.
func displayStep(readings []Reading) float64 {
	multiple := func(step float64) bool {
		for _, r := range readings {
			n := r.Value / step
			if math.Abs(n-math.Round(n)) > 1e-6*max(1, math.Abs(n)) {
				return false
			}
		}
		return true
	}
	finest := 1e-6
	for _, step := range []float64{1, 0.1, 0.01, 1e-3, 1e-4, 1e-5} {
		if multiple(step) {
			finest = step
			break
		}
	}
	step := finest
	for _, factor := range []float64{2, 5, 10} {
		// Chance has one reading in factor fall on a multiple.
		if multiple(finest*factor) && math.Pow(factor, -float64(len(readings))) < 0.005 {
			step = finest * factor
		}
	}
	return step
}
