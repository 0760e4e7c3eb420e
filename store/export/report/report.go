package report

import (
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
	"chaffinch/store/export"
)

// Format is the report as one of the forms in which a shift is handed over.
func Format() export.Format { return In(signal.Metric) }

// In is the report in a system of units.
func In(units signal.System) export.Format {
	return export.Format{Name: "report", Tail: ".html", Type: "text/html; charset=utf-8", Words: "Report to read and print (HTML)",
		Write: func(ctx context.Context, w io.Writer, s *export.Source, p export.Part) error {
			return write(ctx, w, s, p, units)
		}}
}

//go:embed page.html
var pageText string

var page = template.Must(template.New("report").Funcs(template.FuncMap{
	"clock": clock, "day": day, "hours": hours, "number": number, "seconds": seconds, "words": words, "brief": brief, "percent": percent,
}).Parse(pageText))

func write(ctx context.Context, w io.Writer, s *export.Source, p export.Part, units signal.System) error {
	if p.Shift == 0 {
		all := s.Shifts()
		if len(all) == 0 {
			return &problem.Problem{What: "there is no shift in this store", Try: "a shift begins with the first cut"}
		}
		p.Shift = all[len(all)-1].Number
	}
	d, err := gather(ctx, s, p, units)
	if err != nil {
		return fmt.Errorf("report: shift %d: %w", p.Shift, err)
	}
	if err := page.Execute(w, d); err != nil {
		return fmt.Errorf("report: shift %d: %w", p.Shift, err)
	}
	return nil
}

// clock is a time of day, in UTC, or a dash.
func clock(t *time.Time) string {
	if t == nil || t.IsZero() {
		return "–"
	}
	return t.UTC().Format("15:04")
}

func day(t time.Time) string { return t.UTC().Format("Monday, 2 January 2006") }

// hours is a time as hours and minutes.
func hours(s float64) string {
	m := int(s/60 + 0.5)
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

// words is a stable name in words.
func words(name string) string { return strings.ReplaceAll(name, "-", " ") }

// number has the digits that a number of its size deserves.
func number(v float64) string {
	switch a := max(v, -v); {
	case a >= 100:
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

// brief is a time as hours and minutes that does not call a little nothing.
func brief(s float64) string {
	if s < 60 {
		return "< 0:01"
	}
	return hours(s)
}

// percent does not call a little nothing either.
func percent(p float64) string {
	if p < 0.5 {
		return "< 1 %"
	}
	return fmt.Sprintf("%.0f %%", p)
}
