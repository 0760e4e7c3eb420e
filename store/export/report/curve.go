package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"
)

// A curve is drawn over the whole day in means of a minute; where nothing is
// known it has a gap.
type curve struct {
	words string
	class string
	value func(*minute) float64
}

const (
	curveWide, curveHigh = 720.0, 150.0
	curveLeft, curveTop  = 46.0, 8.0
	curveRight           = 8.0
	curveBottom          = 22.0
)

// drawCurves draws feed, fullness and load, and losses, one over the other.
func (d *traces) drawCurves(marks []mark, began time.Time, dated bool) []template.HTML {
	if len(d.minutes) < 2 {
		return nil
	}
	begin := 0.0
	if dated {
		t := d.of(began)
		begin = float64(t.Hour()*3600 + t.Minute()*60 + t.Second())
	}
	feedTimes, feedUnit := inUnits(d.Units, 1, "t/h")
	return []template.HTML{
		d.draw("Feed, "+feedUnit, []curve{{"feed", "feed", func(m *minute) float64 { return m.feed.value() * feedTimes }}}, 0, marks, begin),
		d.draw("Fullness and engine load, %", []curve{
			{"fullness", "feed", func(m *minute) float64 { return m.full.value() }},
			{"engine load", "load", func(m *minute) float64 { return m.load.value() }}}, 120, nil, begin),
		d.draw("Loss sensors, level of 100", []curve{
			{"separation", "sep", func(m *minute) float64 { return m.sep.value() }},
			{"cleaning", "clean", func(m *minute) float64 { return m.clean.value() }}}, 100, nil, begin),
	}
}

// draw draws curves in one frame. High is the top of the axis; 0 fits it.
func (d *traces) draw(title string, curves []curve, high float64, marks []mark, begin float64) template.HTML {
	known := false
	for i := range d.minutes {
		for _, c := range curves {
			if v := c.value(&d.minutes[i]); !math.IsNaN(v) {
				known = true
				if high == 0 || v > high {
					high = math.Max(high, v*1.05)
				}
			}
		}
	}
	if !known {
		return template.HTML(fmt.Sprintf("<p class=\"none\">%s: never known in this shift.</p>", template.HTMLEscapeString(title)))
	}
	span := float64(len(d.minutes)) * 60
	x := func(s float64) float64 { return curveLeft + (curveWide-curveLeft-curveRight)*s/span }
	y := func(v float64) float64 {
		return curveHigh - curveBottom - (curveHigh-curveBottom-curveTop)*min(max(v/high, 0), 1)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<figure><figcaption>%s`, template.HTMLEscapeString(title))
	if len(curves) > 1 {
		for _, c := range curves {
			fmt.Fprintf(&b, ` <span class="key"><svg viewBox="0 0 24 8" width="24" height="8" aria-hidden="true"><path class="%s" d="M0 4H24"/></svg> %s</span>`, c.class, c.words)
		}
	}
	fmt.Fprintf(&b, `</figcaption><svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s over the day">`, curveWide, curveHigh, template.HTMLEscapeString(title))
	for _, t := range ticks(0, high, 4) {
		fmt.Fprintf(&b, `<path class="grid" d="M%.1f %.1fH%.1f"/><text class="tick" x="%.1f" y="%.1f" text-anchor="end">%g</text>`,
			curveLeft, y(t), curveWide-curveRight, curveLeft-5, y(t)+3.5, math.Round(t*100)/100)
	}
	at, labels := hourTicks(begin, span)
	for i, t := range at {
		anchor := "middle"
		if x(t) > curveWide-24 {
			anchor = "end"
		}
		fmt.Fprintf(&b, `<path class="grid" d="M%.1f %.1fV%.1f"/><text class="tick" x="%.1f" y="%.1f" text-anchor="%s">%s</text>`,
			x(t), curveTop, curveHigh-curveBottom, min(x(t), curveWide-2), curveHigh-7, anchor, labels[i])
	}
	for _, c := range curves {
		var path strings.Builder
		pen := false
		for i := range d.minutes {
			v := c.value(&d.minutes[i])
			if math.IsNaN(v) {
				pen = false
				continue
			}
			letter := "L"
			if !pen {
				letter = "M"
			}
			fmt.Fprintf(&path, "%s%.1f %.1f", letter, x(float64(i)*60+30), y(v))
			if !pen && (i+1 >= len(d.minutes) || math.IsNaN(c.value(&d.minutes[i+1]))) {
				fmt.Fprintf(&path, "h1") // a minute alone is a dot
			}
			pen = true
		}
		fmt.Fprintf(&b, `<path class="%s" d="%s"/>`, c.class, path.String())
	}
	for _, m := range marks {
		fmt.Fprintf(&b, `<path class="at %s" d="M%.1f %.1fv5"/>`, m.Priority, x(m.x), curveHigh-curveBottom)
	}
	b.WriteString(`</svg></figure>`)
	return template.HTML(b.String())
}
