package shift

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
)

// earthRadiusM is the mean radius (IUGG).
const earthRadiusM = 6371008.8

// bounds are of what was cut of a field.
type bounds struct {
	South, West, North, East float64
	Known                    bool
}

func (b *bounds) grow(lat, lon float64) {
	if !b.Known {
		*b = bounds{lat, lon, lat, lon, true}
		return
	}
	b.South, b.North = min(b.South, lat), max(b.North, lat)
	b.West, b.East = min(b.West, lon), max(b.East, lon)
}

// away is how far a position is outside the bounds, in metres; 0 is inside.
func (b *bounds) away(lat, lon float64) float64 {
	east, north := metres(lat, lon, max(b.South, min(lat, b.North)), max(b.West, min(lon, b.East)))
	return math.Hypot(east, north)
}

// metres is the way from the second position to the first, east and north, on a
// plane that touches the earth there.
func metres(lat, lon, lat0, lon0 float64) (east, north float64) {
	const rad = math.Pi / 180
	return math.Remainder(lon-lon0, 360) * rad * earthRadiusM * math.Cos(lat0*rad), (lat - lat0) * rad * earthRadiusM
}

// swath follows the header over the ground and marks on the chart what it cuts.
type swath struct {
	fixAt    signal.Instant // of the newest fix that was taken
	lat, lon float64        // that fix
	known    bool

	open        bool // the header's edge at the newest fix is known
	left, right point
}

const (
	// fixApartM is how far apart fixes are taken: nearer ones have no direction.
	fixApartM = 1.5
	// fixGap and fixJumpM end a swath: nobody knows what was between.
	fixGap   = 5 * time.Second
	fixJumpM = 40.0
)

// step takes the newest fix while the machine cuts with a width, and returns how
// much ground was cut for the first time, and on which way. It is false where the
// chart could not take it.
func (w *swath) step(c *chart, f *fieldAccount, at signal.Instant, lat, lon, width float64) (newM2, wayM float64, ok bool) {
	if w.known && at == w.fixAt {
		return 0, 0, true
	}
	east, north := metres(lat, lon, w.lat, w.lon)
	way := math.Hypot(east, north)
	switch gap := at.Sub(w.fixAt); {
	case !w.known, gap < 0, gap > fixGap, way > fixJumpM:
		w.restart(at, lat, lon)
		return 0, 0, true
	case way < fixApartM:
		return 0, 0, true
	}
	x0, y0 := metres(w.lat, w.lon, f.Lat0, f.Lon0)
	x1, y1 := metres(lat, lon, f.Lat0, f.Lon0)
	dx, dy := (x1-x0)/math.Hypot(x1-x0, y1-y0)*width/2, (y1-y0)/math.Hypot(x1-x0, y1-y0)*width/2
	if !w.open {
		w.left, w.right = point{x0 - dy, y0 + dx}, point{x0 + dy, y0 - dx}
	}
	left, right := point{x1 - dy, y1 + dx}, point{x1 + dy, y1 - dx}
	cells, ok := c.cut(int32(f.Number), w.left, w.right, left, right)
	w.left, w.right, w.open = left, right, true
	w.fixAt, w.lat, w.lon = at, lat, lon
	return float64(cells), way, ok
}

// restart begins a swath at a fix.
func (w *swath) restart(at signal.Instant, lat, lon float64) {
	*w = swath{fixAt: at, lat: lat, lon: lon, known: true}
}

// lift follows the fixes while nothing is cut, so that the next swath begins
// where the header goes down.
func (w *swath) lift(at signal.Instant, lat, lon float64) {
	if !w.known || at != w.fixAt || w.open {
		w.restart(at, lat, lon)
	}
}
