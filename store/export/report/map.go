package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/store/history"
)

// point is longitude and latitude in degrees.
type point struct{ lon, lat float64 }

type trackPoint struct {
	point
	step  int8 // of fullness; -1 not cutting, cutUnknown where it is not known
	joins bool // to the one before
}

// fullnessSteps are the steps of the map with their colours: the darker the
// fuller, in steps of lightness that stay apart in grey and for all kinds of
// colour vision (five of the viridis map, reversed; its values from memory).
var fullnessSteps = [...]struct {
	below  float64
	words  string
	colour string
}{
	{50, "under 50 %", "#b5de2b"}, {70, "50 to 70", "#35b779"}, {85, "70 to 85", "#26828e"}, {100, "85 to 100", "#3e4989"}, {math.Inf(1), "over 100", "#440154"},
}

// cutUnknown is the step of what was cut with a fullness that is not known.
const cutUnknown = int8(len(fullnessSteps))

const (
	leastMove  = 4.0  // m between points of the track
	mostMove   = 60.0 // m in a second: the receiver has jumped
	mostPoints = 12000
)

func (d *traces) addTrack(row *history.Row) {
	lat, ok1 := row.Value(signal.Latitude.ID)
	lon, ok2 := row.Value(signal.Longitude.ID)
	if !ok1 || !ok2 || lat == 0 && lon == 0 {
		return
	}
	p := trackPoint{point: point{lon, lat}, step: -1}
	if row.Activity == machine.Cutting {
		p.step = cutUnknown
	}
	if p.step == cutUnknown && row.Feed.Basis != machine.NoFeed && row.Feed.FullnessKnown {
		for i := range fullnessSteps {
			if float64(row.Feed.Fullness) < fullnessSteps[i].below {
				p.step = int8(i)
				break
			}
		}
	}
	if n := len(d.track); n > 0 {
		moved := metres(d.track[n-1].point, p.point)
		if moved < leastMove && p.step == d.track[n-1].step || moved < 1 {
			return
		}
		p.joins = moved < mostMove
	}
	d.track = append(d.track, p)
}

// metres is the distance of two near places.
func metres(a, b point) float64 {
	const perDegree = 111195.0 // of a sphere of 6371 km
	return math.Hypot((a.lon-b.lon)*perDegree*math.Cos(a.lat*math.Pi/180), (a.lat-b.lat)*perDegree)
}

const mapWide, mapMostHigh = 720.0, 540.0

// drawMaps draws a map of each field; one of all where the fields have no place.
func (d *traces) drawMaps(s *shift.Summary, marks []mark, places []place) (all []template.HTML) {
	if len(d.track) < 2 {
		return nil
	}
	const more = 12.0 / 111195 // degrees around what was cut, for the turns
	located := 0
	for i := range s.Fields {
		if s.Fields[i].Located {
			located++
		}
	}
	if located > 1 {
		for i := range s.Fields {
			f := &s.Fields[i]
			if !f.Located {
				continue
			}
			low, high := point{float64(f.West) - more, float64(f.South) - more}, point{float64(f.East) + more, float64(f.North) + more}
			all = append(all, d.drawMap(fieldName(f), low, high, marks, places))
		}
		return all
	}
	low, high := d.track[0].point, d.track[0].point
	cutting := false
	for _, p := range d.track {
		if p.step < 0 && cutting {
			continue
		}
		if p.step >= 0 && !cutting { // what was cut sets the frame; the road does not
			low, high, cutting = p.point, p.point, true
		}
		low = point{min(low.lon, p.lon), min(low.lat, p.lat)}
		high = point{max(high.lon, p.lon), max(high.lat, p.lat)}
	}
	return []template.HTML{d.drawMap("", low, high, marks, places)}
}

func fieldName(f *shift.Field) string {
	if f.Name != "" {
		return f.Name
	}
	return fmt.Sprintf("field %d", f.Number)
}

// drawMap draws the track between two corners, north up, with the numbers of the
// alarms and the letters of the places where they came again.
func (d *traces) drawMap(name string, low, high point, marks []mark, places []place) template.HTML {
	keep := 1 + len(d.track)/mostPoints
	squash := math.Cos((low.lat + high.lat) / 2 * math.Pi / 180)
	wide, tall := max((high.lon-low.lon)*squash, 1e-5), max(high.lat-low.lat, 1e-5)
	const edge = 14.0
	scale := min((mapWide-2*edge)/wide, (mapMostHigh-2*edge)/tall)
	height := tall*scale + 2*edge + 26
	offset := (mapWide - wide*scale) / 2
	x := func(p point) float64 { return offset + (p.lon-low.lon)*squash*scale }
	y := func(p point) float64 { return edge + (high.lat-p.lat)*scale }
	inside := func(p point) bool {
		return x(p) > 0 && x(p) < mapWide && y(p) > 0 && y(p) < height-22
	}
	var lines [len(fullnessSteps) + 2]strings.Builder
	var last point
	pen := -2
	for i, p := range d.track {
		step := int(p.step) + 1
		if i%keep != 0 && i > 0 && p.step == d.track[i-1].step {
			continue
		}
		if !inside(p.point) {
			pen = -2
			last = p.point
			continue
		}
		switch {
		case !p.joins || pen == -2:
			fmt.Fprintf(&lines[step], "M%.1f %.1f", x(p.point), y(p.point))
		case pen != step:
			fmt.Fprintf(&lines[step], "M%.1f %.1fL%.1f %.1f", x(last), y(last), x(p.point), y(p.point))
		default:
			fmt.Fprintf(&lines[step], "L%.1f %.1f", x(p.point), y(p.point))
		}
		pen, last = step, p.point
	}
	var b strings.Builder
	title := "Where it was cut, and how full the machine was"
	if name != "" {
		title = sentenceCase(name) + ": where it was cut, and how full the machine was"
	}
	fmt.Fprintf(&b, `<figure class="map"><figcaption>%s<span class="keys">`, template.HTMLEscapeString(title))
	key := func(class, style, words string) {
		fmt.Fprintf(&b, ` <span class="key"><svg viewBox="0 0 24 8" width="24" height="8" aria-hidden="true"><path class="%s" d="M0 4H24" style="%s"/></svg> %s</span>`, class, style, words)
	}
	for i, s := range fullnessSteps {
		if lines[i+1].Len() > 0 {
			key("track", "stroke-width:5;stroke:"+s.colour, s.words)
		}
	}
	if lines[cutUnknown+1].Len() > 0 {
		key("cut", "", "cut, not known how full")
	}
	if lines[0].Len() > 0 {
		key("road", "", "not cutting")
	}
	fmt.Fprintf(&b, `</span></figcaption><svg viewBox="0 0 %.0f %.0f" role="img" aria-label="Map of the track, north up">`, mapWide, height)
	fmt.Fprintf(&b, `<path class="road" d="%s"/><path class="cut" d="%s"/>`, lines[0].String(), lines[cutUnknown+1].String())
	for i, s := range fullnessSteps {
		if lines[i+1].Len() > 0 {
			fmt.Fprintf(&b, `<path class="track" style="stroke:%s" d="%s"/>`, s.colour, lines[i+1].String())
		}
	}
	for _, p := range places {
		if !inside(p.point) {
			continue
		}
		r := max(placeRadiusM/111195*scale, 13)
		fmt.Fprintf(&b, `<circle class="place" cx="%.1f" cy="%.1f" r="%.1f"/><circle class="placed" cx="%.1f" cy="%.1f" r="%.1f"/><text class="place" x="%.1f" y="%.1f">%s</text>`,
			x(p.point), y(p.point), r, x(p.point), y(p.point), r, x(p.point)+0.71*r+2, y(p.point)-0.71*r-2, p.letter)
	}
	taken := map[[2]int]bool{}
	for _, m := range marks {
		if !m.placed || !inside(m.place) {
			continue
		}
		cell := [2]int{int(x(m.place) / 13), int(y(m.place) / 13)}
		if taken[cell] {
			continue // its neighbour stands for it; the list has both
		}
		taken[cell] = true
		fmt.Fprintf(&b, `<circle class="pin %s" cx="%.1f" cy="%.1f" r="8"/><text class="pin" x="%.1f" y="%.1f" text-anchor="middle">%d</text>`,
			m.Priority, x(m.place), y(m.place), x(m.place), y(m.place)+3.4, m.Number)
	}
	per, barUnit := inUnits(d.Units, 1, "m")
	bar := niceBelow(160 / scale * 111195 * per)
	px := bar / per / 111195 * scale
	fmt.Fprintf(&b, `<path class="bar" d="M%.1f %.1fv5h%.1fv-5"/><text class="tick" x="%.1f" y="%.1f" text-anchor="middle">%g %s</text>`,
		edge, height-20, px, edge+px/2, height-4, bar, barUnit)
	fmt.Fprintf(&b, `<path class="bar" d="M%.1f %.1fl-4 9h8zv16"/><text class="tick" x="%.1f" y="%.1f" text-anchor="end">N</text></svg></figure>`,
		mapWide-12, height-24, mapWide-21, height-10)
	return template.HTML(b.String())
}

// niceBelow is the largest of 1, 2 and 5 times a power of ten that is not over v.
func niceBelow(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2, 1} {
		if m*ten <= v {
			return m * ten
		}
	}
	return ten
}
