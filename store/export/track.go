package export

import (
	"context"
	"math"
	"strconv"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/store/history"
)

// place2 is longitude and latitude in degrees, WGS 84, in this order.
type place2 [2]float64

// MarshalJSON writes seven digits, a centimetre.
func (p place2) MarshalJSON() ([]byte, error) {
	b := append([]byte(nil), '[')
	b = appendTrimmed(b, p[0], 7)
	b = append(b, ',')
	b = appendTrimmed(b, p[1], 7)
	return append(b, ']'), nil
}

// Where a track is not joined: a pause, or a jump faster than any combine.
const (
	trackPause  = 5 * time.Second
	trackSpeed  = 25.0 // m/s, 90 km/h
	trackSlack  = 10.0 // m, of a receiver that changes its fix
	trackPoints = 300  // of one line, so that a long one needs no memory
	trackStillM = 0.3  // less than this is standing
)

// A step of fullness with its colour: light is full. The colours are five of the
// cividis map, which is made for all kinds of colour vision (Nunez, Anderton and
// Renslow 2018, PLoS ONE 13(7); their values from memory).
type step struct {
	below  float64 // percent
	name   string
	colour string
}

var steps = [...]step{
	{50, "under 50", "#00224e"}, {70, "50 to 70", "#434e6c"}, {85, "70 to 85", "#7d7c78"}, {100, "85 to 100", "#bcae6c"}, {math.Inf(1), "100 and more", "#fee838"},
}

const greyColour = "#999999" // not cutting, or fullness not known

// stepOf is the number of a row's step, or -1.
func stepOf(row *history.Row) int {
	if row.Activity != machine.Cutting || row.Feed.Basis == machine.NoFeed || !row.Feed.FullnessKnown {
		return -1
	}
	for i := range steps {
		if float64(row.Feed.Fullness) < steps[i].below {
			return i
		}
	}
	return -1
}

// line is a stretch of the track of one activity and step.
type line struct {
	activity machine.Activity
	step     int
	shift    uint32
	boot     uint32
	began    signal.Instant
	ended    signal.Instant
	fullness float64 // sum
	feed     float64 // sum
	rows     int
	fed      int // rows with a feed
	points   []place2
}

// track writes the track of a part.
func (s *Source) track(ctx context.Context, out *features, p Part) error {
	var l line
	var last place2
	var lastAt signal.Instant
	for row, err := range s.Rows(p) {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		lat, ok := row.Value(signal.Latitude.ID)
		lon, ok2 := row.Value(signal.Longitude.ID)
		if !ok || !ok2 {
			s.endLine(out, &l)
			continue
		}
		at := place2{lon, lat}
		dt := row.At.Sub(lastAt)
		joined := l.rows > 0 && row.Boot == l.boot && dt > 0 && dt <= trackPause && metres(last, at) <= trackSpeed*dt.Seconds()+trackSlack
		if step := stepOf(row); !joined || step != l.step || row.Activity != l.activity || row.Shift != l.shift || len(l.points) >= trackPoints {
			s.endLine(out, &l)
			l = line{activity: row.Activity, step: step, shift: row.Shift, boot: row.Boot, began: row.At, points: l.points[:0]}
			if joined {
				l.points = append(l.points, last)
			}
		}
		l.add(row, at)
		last, lastAt = at, row.At
	}
	s.endLine(out, &l)
	return nil
}

func (l *line) add(row *history.Row, at place2) {
	l.ended = row.At
	l.rows++
	if n := len(l.points); n == 0 || metres(l.points[n-1], at) >= trackStillM {
		l.points = append(l.points, at)
	}
	if row.Feed.Basis != machine.NoFeed {
		l.feed += float64(row.Feed.Rate)
		l.fed++
	}
	l.fullness += float64(row.Feed.Fullness)
}

// endLine writes a line, if it is one, and empties it.
func (s *Source) endLine(out *features, l *line) {
	defer func() { *l = line{points: l.points[:0]} }()
	if l.rows == 0 || len(l.points) < 2 {
		return // standing; the table has it
	}
	properties := struct {
		Kind     string   `json:"kind"`
		Shift    uint32   `json:"shift"`
		Activity string   `json:"activity"`
		Fullness *string  `json:"fullness"`
		MeanPct  *float64 `json:"fullness_pct"`
		FeedTH   *float64 `json:"feed_rate_t_h"`
		Began    *string  `json:"began"`
		Seconds  float64  `json:"duration_s"`
		Boot     uint32   `json:"boot"`
		AtS      float64  `json:"at_s"`
		Clock    string   `json:"clock"`
		Stroke   string   `json:"stroke"`
	}{Kind: "track", Shift: l.shift, Activity: l.activity.String(), Seconds: l.ended.Sub(l.began).Seconds(), Boot: l.boot, AtS: l.began.Seconds(), Stroke: greyColour}
	date, clock, ok := s.Date(uint64(l.boot), l.began)
	if ok {
		text := date.Format(isoTime)
		properties.Began = &text
	}
	properties.Clock = clock.String()
	if l.step >= 0 {
		mean := rounded(l.fullness / float64(l.rows))
		properties.Fullness, properties.MeanPct, properties.Stroke = &steps[l.step].name, &mean, steps[l.step].colour
	}
	if l.fed > 0 {
		feed := rounded(l.feed / float64(l.fed))
		properties.FeedTH = &feed
	}
	out.add(&geometry{"LineString", l.points}, properties)
}

// rounded is to a tenth.
func rounded(v float64) float64 {
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'f', 1, 64), 64)
	return v
}

// metres is the distance of two places that are near each other, on a sphere of
// the mean radius of the earth (IUGG).
func metres(a, b place2) float64 {
	const radius, rad = 6371008.8, math.Pi / 180
	east := math.Remainder(b[0]-a[0], 360) * math.Cos(a[1]*rad)
	return radius * rad * math.Hypot(east, b[1]-a[1])
}
