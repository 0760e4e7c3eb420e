package machine

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// track derives a ground speed from positions, for logs and machines that give
// nothing else. It looks back two seconds or more, so that the wander of a
// standing receiver (1 to 2 m) stays under walking pace.
type track struct {
	latitude, longitude signal.Reading[float64] // newest halves of a fix
	fixes               [8]fix
	count               int // fixes held, newest last
	now                 signal.Instant
}

type fix struct {
	at                  signal.Instant
	latitude, longitude float64
}

const (
	trackSpan    = 2 * time.Second        // shortest stretch that gives a speed
	trackSpacing = 700 * time.Millisecond // fixes closer than this are left out
	trackAge     = 12 * time.Second       // as long as a position stays fresh
	trackJump    = 60.0                   // km/h: faster is a jump of the receiver
	earthRadiusM = 6371008.8              // mean radius, IUGG
)

func (t *track) add(id signal.ID, r signal.Reading[float64]) {
	if id == signal.Latitude.ID {
		t.latitude = r
	} else {
		t.longitude = r
	}
	// Both halves of a fix come in one message, hence with one time.
	if t.latitude.At != t.longitude.At || t.latitude.Quality != signal.Good || t.longitude.Quality != signal.Good {
		return
	}
	f := fix{at: r.At, latitude: t.latitude.Value, longitude: t.longitude.Value}
	if t.count > 0 {
		last := t.fixes[t.count-1]
		gap := f.at.Sub(last.at)
		switch {
		case gap >= 0 && gap < trackSpacing:
			return
		case gap < 0 || gap > trackAge || speedBetween(last, f) > trackJump:
			t.count = 0
		}
	}
	if t.count == len(t.fixes) {
		copy(t.fixes[:], t.fixes[1:])
		t.count--
	}
	t.fixes[t.count] = f
	t.count++
}

func (t *track) step(now signal.Instant) { t.now = now }

// speed is that of the newest stretch of at least trackSpan.
func (t *track) speed() (signal.KPH, bool) {
	if t.count < 2 {
		return 0, false
	}
	last := t.fixes[t.count-1]
	if t.now.Sub(last.at) > max(trackSpan, 3*last.at.Sub(t.fixes[t.count-2].at)) {
		return 0, false
	}
	for i := t.count - 2; i >= 0; i-- {
		if last.at.Sub(t.fixes[i].at) >= trackSpan {
			return signal.KPH(speedBetween(t.fixes[i], last)), true
		}
	}
	return 0, false
}

// bend is how far the way turned between the older and the newer half of the
// fixes held, some six seconds in all, in degrees. A machine that hardly moved
// has no bend.
func (t *track) bend() (float64, bool) {
	if t.count < 6 || t.now.Sub(t.fixes[t.count-1].at) > trackSpan {
		return 0, false
	}
	first, middle, last := t.fixes[0], t.fixes[t.count/2], t.fixes[t.count-1]
	east1, north1 := wayM(first, middle)
	east2, north2 := wayM(middle, last)
	if math.Hypot(east1, north1) < bendLeastM || math.Hypot(east2, north2) < bendLeastM {
		return 0, false
	}
	return math.Abs(math.Atan2(east1*north2-north1*east2, east1*east2+north1*north2)) * 180 / math.Pi, true
}

// bendLeastM keeps the wander of a receiver from looking like a bend.
const bendLeastM = 2.5

// wayM is the way from one fix to another in metres east and north.
func wayM(a, b fix) (east, north float64) {
	const rad = math.Pi / 180
	north = (b.latitude - a.latitude) * rad * earthRadiusM
	east = math.Remainder(b.longitude-a.longitude, 360) * rad * earthRadiusM * math.Cos((a.latitude+b.latitude)/2*rad)
	return east, north
}

// speedBetween is in km/h, on a plane that touches the earth at the fixes.
func speedBetween(a, b fix) float64 {
	dt := b.at.Sub(a.at).Seconds()
	if dt <= 0 {
		return math.Inf(1)
	}
	return 3.6 * distanceM(a, b) / dt
}

func distanceM(a, b fix) float64 { return math.Hypot(wayM(a, b)) }
