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

// Style is in what a report is told to its reader.
type Style struct {
	Units signal.System  // metric, if none is named
	Zone  *time.Location // of its times; UTC, if nil
}

// Format is the report as one of the forms in which a shift is handed over: metric,
// and in UTC.
func Format() export.Format { return In(Style{}) }

// In is the report in a style.
func In(style Style) export.Format {
	if style.Units == "" {
		style.Units = signal.Metric
	}
	return export.Format{Name: "report", Tail: ".html", Type: "text/html; charset=utf-8", Words: "Report to read and print (HTML)",
		Style: style.name(),
		Write: func(ctx context.Context, w io.Writer, s *export.Source, p export.Part) error {
			return write(ctx, w, s, p, style)
		}}
}

//go:embed page.html
var pageText string

var page = template.Must(template.New("report").Funcs(template.FuncMap{
	"clock": Style.clock, "day": Style.day, "zone": Style.zone, "hours": hours, "number": number, "seconds": seconds, "words": words, "brief": brief, "percent": percent,
}).Parse(pageText))

func write(ctx context.Context, w io.Writer, s *export.Source, p export.Part, style Style) error {
	if p.Shift == 0 {
		all := s.Shifts()
		if len(all) == 0 {
			return &problem.Problem{What: "there is no shift in this store", Try: "a shift begins with the first cut"}
		}
		p.Shift = all[len(all)-1].Number
	}
	d, err := gather(ctx, s, p, style)
	if err != nil {
		return fmt.Errorf("report: shift %d: %w", p.Shift, err)
	}
	if err := page.Execute(w, d); err != nil {
		return fmt.Errorf("report: shift %d: %w", p.Shift, err)
	}
	return nil
}

// of is a time in the reader's zone.
func (s Style) of(t time.Time) time.Time {
	if s.Zone == nil {
		return t.UTC()
	}
	return t.In(s.Zone)
}

// name tells styles apart. A zone's own name does not do: the computer's is always
// "Local".
func (s Style) name() string {
	summer := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	return strings.Join([]string{string(s.Units), s.zone(summer), s.zone(summer.AddDate(0, 6, 0))}, ", ")
}

// clock is a time of day, or a dash.
func (s Style) clock(t *time.Time) string {
	if t == nil || t.IsZero() {
		return "–"
	}
	return s.of(*t).Format("15:04")
}

func (s Style) day(t time.Time) string { return s.of(t).Format("Monday, 2 January 2006") }

// zone names the zone as it is at a time: UTC, CEST (UTC+2), UTC+5:45.
func (s Style) zone(t time.Time) string {
	name, east := s.of(t).Zone()
	from := "UTC"
	if east != 0 {
		sign := '+'
		if east < 0 {
			sign, east = '-', -east
		}
		from = fmt.Sprintf("UTC%c%d", sign, east/3600)
		if minutes := east % 3600 / 60; minutes != 0 {
			from += fmt.Sprintf(":%02d", minutes)
		}
	}
	if name == from || strings.HasPrefix(name, "+") || strings.HasPrefix(name, "-") {
		return from // a zone without a name of its own
	}
	return name + " (" + from + ")"
}

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
