package score

import (
	"bufio"
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect/machine"
)

// A picture is an hour of one harvest: what the machine did, what was heard of
// it, and the true and the found troubles under it on one time axis, so that a
// person can check them by eye. It is a single SVG without anything from
// outside.
const (
	pictureWidth = 1600
	leftEdge     = 190
	rightEdge    = 20
	plotWidth    = pictureWidth - leftEdge - rightEdge
	panelHeight  = 110
	panelGap     = 26
	laneHeight   = 22
)

// trace is a line of a panel.
type trace struct {
	name, colour string
	values       []float64 // one a second, NaN where not known
}

type panel struct {
	title, unit string
	top         float64 // of the scale; 0 is worked out
	traces      []trace
}

// Picture draws at most an hour of a harvest: the one with the most trouble.
func Picture(w io.Writer, c Case) error {
	panels := []panel{
		{title: "feed rate", unit: "t/h", traces: []trace{{name: "true", colour: "#999"}, {name: "estimated", colour: "#1b6ca8"}}},
		{title: "engine load", unit: "%", top: 110, traces: []trace{{name: "load", colour: "#b3541e"}}},
		{title: "rotor speed", unit: "rpm", traces: []trace{{name: "rotor, lowest in a second", colour: "#2e7d32"}}},
		{title: "ground speed", unit: "km/h", traces: []trace{{name: "speed", colour: "#5e4b8b"}}},
		{title: "loss levels", unit: "%, relative", top: 100, traces: []trace{{name: "separation", colour: "#c2185b"}, {name: "cleaning", colour: "#00838f"}, {name: "returns", colour: "#8d6e63"}}},
	}
	lines := []struct {
		to *trace
		id signal.ID
	}{
		{&panels[1].traces[0], signal.EngineLoad.ID}, {&panels[3].traces[0], signal.GroundSpeed.ID},
		{&panels[4].traces[0], signal.SeparationLoss.ID}, {&panels[4].traces[1], signal.CleaningLoss.ID}, {&panels[4].traces[2], signal.Returns.ID},
	}
	lowest := math.NaN()
	r, err := Run(c, func(s *machine.State) {
		if v, ok := signal.RotorSpeed.Fresh(&s.Signals, s.Now); ok && !(float64(v) > lowest) {
			lowest = float64(v)
		}
		second := int(s.Now.Seconds())
		if len(panels[0].traces[1].values) > second {
			return
		}
		for _, l := range lines {
			v, ok := s.Signals.Fresh(l.id, s.Now)
			l.to.put(second, v, ok)
		}
		panels[2].traces[0].put(second, lowest, !math.IsNaN(lowest))
		panels[0].traces[1].put(second, float64(s.Feed.Rate), s.Feed.Basis != machine.NoFeed)
		lowest = math.NaN()
	})
	if err != nil {
		return err
	}
	panels[0].traces[0].values = r.Truth.FeedTH
	from := busiestHour(&r.Truth)
	d := drawing{w: bufio.NewWriter(w), from: from, to: min(from+3600, float64(len(r.Truth.Activity)))}
	d.draw(r, panels)
	return d.w.Flush()
}

func (t *trace) put(second int, v float64, ok bool) {
	for len(t.values) < second {
		t.values = append(t.values, math.NaN())
	}
	if !ok {
		v = math.NaN()
	}
	t.values = append(t.values, v)
}

// busiestHour begins at a multiple of ten minutes.
func busiestHour(t *virtual.Truth) (from float64) {
	best := -1
	for at := 0.0; at == 0 || at+3600 <= float64(len(t.Activity)); at += 600 {
		kinds := map[string]bool{}
		for i := range t.Intervals {
			if v := &t.Intervals[i]; v.Began >= at && v.Ended < at+3600 {
				kinds[v.Kind] = true
			}
		}
		if len(kinds) > best {
			best, from = len(kinds), at
		}
	}
	return from
}

// drawing writes the elements of the picture; the writer keeps the first error.
type drawing struct {
	w        *bufio.Writer
	from, to float64
	y        float64
}

func (d *drawing) put(format string, args ...any) { fmt.Fprintf(d.w, format+"\n", args...) }

func (d *drawing) x(at float64) float64 {
	return leftEdge + plotWidth*(min(max(at, d.from), d.to)-d.from)/(d.to-d.from)
}

func (d *drawing) text(x, y float64, class, format string, args ...any) {
	d.put(`<text x="%.1f" y="%.1f" class="%s">%s</text>`, x, y, class, html.EscapeString(fmt.Sprintf(format, args...)))
}

func (d *drawing) draw(r *Result, panels []panel) {
	lanes := d.lanes(r)
	height := 90 + laneHeight + float64(len(panels))*(panelHeight+panelGap) + float64(len(lanes))*laneHeight + 110
	d.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %.0f" font-family="sans-serif" font-size="13">`, pictureWidth, height)
	d.put(`<style>.t{font-size:18px}.r{text-anchor:end}.m{text-anchor:middle}.s{font-size:11px;fill:#555}</style>`)
	d.put(`<rect width="100%%" height="100%%" fill="#fff"/>`)
	d.text(20, 30, "t", "Make-believe harvest %d: %s combine, %s, %s signals; %.0f min from second %.0f",
		r.Seed, r.Scenario.Machine, r.Scenario.Crop, r.Scenario.Signals, (d.to-d.from)/60, d.from)
	d.y = 50
	d.activity(r.Truth.Activity)
	top := d.y
	for i := range panels {
		d.panel(&panels[i])
	}
	for i := range lanes {
		d.lane(&lanes[i])
	}
	d.axis(top)
	d.legend()
	d.put(`</svg>`)
}

var activityColours = map[string]string{
	"cutting": "#cfe8cf", "turning": "#fff3c4", "unloading": "#d6e4f5", "waiting": "#eee", "idle": "#eee", "off": "#bbb", "travelling": "#f5dcd6", "blocked": "#e57373",
}

// activity is a band of what the machine did.
func (d *drawing) activity(acts []string) {
	d.text(leftEdge-10, d.y+15, "r", "activity (true)")
	for i := int(d.from); i < int(d.to); {
		j := i
		for j < int(d.to) && acts[j] == acts[i] {
			j++
		}
		x := d.x(float64(i))
		width := d.x(float64(j)) - x
		d.put(`<rect x="%.1f" y="%.1f" width="%.1f" height="%d" fill="%s"><title>%s</title></rect>`, x, d.y, width, laneHeight-2, activityColours[acts[i]], acts[i])
		if width > 62 {
			d.text(x+width/2, d.y+15, "m s", "%s", acts[i])
		}
		i = j
	}
	d.y += laneHeight + 14
}

func (d *drawing) panel(p *panel) {
	top := p.top
	if top == 0 {
		for _, t := range p.traces {
			for i := int(d.from); i < min(int(d.to), len(t.values)); i++ {
				if v := t.values[i]; v > top {
					top = v
				}
			}
		}
		top = roundUp(top)
	}
	bottom := d.y + panelHeight
	for i := range 3 {
		v := top * float64(i) / 2
		y := bottom - panelHeight*float64(i)/2
		d.put(`<line x1="%d" y1="%.1f" x2="%d" y2="%.1f" stroke="#ddd"/>`, leftEdge, y, pictureWidth-rightEdge, y)
		d.text(leftEdge-8, y+4, "r s", "%g", v)
	}
	d.text(14, d.y+16, "", "%s", p.title)
	d.text(14, d.y+33, "s", "%s", p.unit)
	for i := range p.traces {
		t := &p.traces[i]
		d.put(`<text x="14" y="%.1f" fill="%s" font-size="11">%s</text>`, d.y+52+15*float64(i), t.colour, html.EscapeString(t.name))
		d.line(t, top, bottom)
	}
	d.y = bottom + panelGap
}

// line draws a trace, with breaks where it is not known.
func (d *drawing) line(t *trace, top, bottom float64) {
	var path strings.Builder
	move := true
	for i := int(d.from); i < min(int(d.to), len(t.values)); i++ {
		v := t.values[i]
		if math.IsNaN(v) {
			move = true
			continue
		}
		letter := "L"
		if move {
			letter = "M"
		}
		move = false
		fmt.Fprintf(&path, "%s%.1f %.1f", letter, d.x(float64(i)), bottom-panelHeight*min(v/top, 1.05))
	}
	if path.Len() > 0 {
		d.put(`<path d="%s" fill="none" stroke="%s" stroke-width="1"/>`, path.String(), t.colour)
	}
}

// roundUp gives a scale a round end.
func roundUp(v float64) float64 {
	if v <= 0 {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 2, 3, 4, 5, 6, 8, 10} {
		if k*unit >= v {
			return k * unit
		}
	}
	return 10 * unit
}

// axis is minutes of the log.
func (d *drawing) axis(top float64) {
	for at := math.Ceil(d.from/300) * 300; at <= d.to; at += 300 {
		x := d.x(at)
		d.put(`<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="#eee"/>`, x, top, x, d.y)
		d.text(x, d.y+16, "m s", "%.0f", at/60)
	}
	d.text(leftEdge-10, d.y+16, "r s", "min from the start")
	d.y += 40
}
