package find

import (
	"bufio"
	"fmt"
	"html"
	"io"
	"math"
)

const (
	panelWidth, panelHeight = 760, 190
	panelLeft, panelRight   = 64, 16
	panelTop, panelBottom   = 34, 30
	mostPanels              = 3
)

// WritePicture draws the best candidates against the readings as SVG: for each
// the signal as the field has it over the whole log, and the readings as dots.
// It draws nothing but a line of text if there is no candidate.
func (r *Result) WritePicture(w io.Writer) error {
	b := bufio.NewWriter(w)
	panels := min(len(r.series), mostPanels)
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" font-family="sans-serif" font-size="12">`+"\n",
		panelWidth, max(1, panels)*panelHeight)
	fmt.Fprintf(b, `<rect width="100%%" height="100%%" fill="#ffffff"/>`+"\n")
	if panels == 0 {
		fmt.Fprintf(b, `<text x="16" y="40" fill="#222222">%s: %s</text>`+"\n", html.EscapeString(r.Signal), verdictWords[r.Verdict])
	}
	for i := range panels {
		r.panel(b, i, float64(i*panelHeight))
	}
	fmt.Fprintln(b, "</svg>")
	return b.Flush()
}

func (r *Result) panel(b *bufio.Writer, i int, top float64) {
	c, series := &r.Best[i], r.series[i]
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range series {
		if !math.IsNaN(v) {
			low, high = min(low, v), max(high, v)
		}
	}
	from, to := math.Inf(1), math.Inf(-1)
	for _, u := range r.Used {
		low, high = min(low, u.Value), max(high, u.Value)
		from, to = min(from, u.AtS), max(to, u.AtS)
	}
	for _, t := range r.times {
		from, to = min(from, t), max(to, t)
	}
	if high == low {
		high++
	}
	if to == from {
		to++
	}
	x := func(t float64) float64 { return panelLeft + (panelWidth-panelLeft-panelRight)*(t-from)/(to-from) }
	y := func(v float64) float64 {
		return top + panelTop + (panelHeight-panelTop-panelBottom)*(high-v)/(high-low)
	}
	fmt.Fprintf(b, `<text x="%d" y="%.0f" fill="#222222">%d. %s, in %s: %s from %s, %s: %s</text>`+"\n", panelLeft, top+20, i+1,
		html.EscapeString(r.Signal), html.EscapeString(r.Unit), html.EscapeString(c.message()), c.from(), c.bits(), percent(c.Probability))
	for _, v := range [...]float64{low, (low + high) / 2, high} {
		fmt.Fprintf(b, `<line x1="%d" x2="%d" y1="%.1f" y2="%.1f" stroke="#dddddd"/><text x="%d" y="%.1f" text-anchor="end" fill="#555555">%.4g</text>`+"\n",
			panelLeft, panelWidth-panelRight, y(v), y(v), panelLeft-6, y(v)+4, v)
	}
	fmt.Fprintf(b, `<text x="%d" y="%.0f" fill="#555555">%s</text><text x="%d" y="%.0f" text-anchor="end" fill="#555555">%s</text>`+"\n",
		panelLeft, top+panelHeight-8, seconds(from), panelWidth-panelRight, top+panelHeight-8, seconds(to))
	fmt.Fprint(b, `<path fill="none" stroke="#1f6f8b" stroke-width="1.3" d="`)
	pen := "M"
	for k, v := range series {
		if math.IsNaN(v) || k >= len(r.times) {
			pen = "M"
			continue
		}
		fmt.Fprintf(b, "%s%.1f %.1f", pen, x(r.times[k]), y(v))
		pen = "L"
	}
	fmt.Fprintln(b, `"/>`)
	for k, u := range r.Used {
		fmt.Fprintf(b, `<circle cx="%.1f" cy="%.1f" r="4" fill="#c4461b"/>`, x(u.AtS), y(u.Value))
		if k < len(c.Says) && math.Abs(c.Says[k]-u.Value) > 2*r.Step {
			fmt.Fprintf(b, `<line x1="%.1f" x2="%.1f" y1="%.1f" y2="%.1f" stroke="#c4461b"/>`, x(u.AtS), x(u.AtS), y(u.Value), y(c.Says[k]))
		}
	}
	fmt.Fprintln(b)
}
