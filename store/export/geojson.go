package export

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"time"

	"chaffinch/detect/shift"
)

// GeoJSON writes a map of a part (RFC 7946): the track in lines of one activity
// and one step of fullness each, the alarms as points, the fields as the rectangles
// that bound them, and the shifts. A property "kind" tells them apart: track,
// alert, field, shift. What has no place has no geometry. Dates that are not known
// are null, and "clock" is "unset" then.
func GeoJSON(ctx context.Context, w io.Writer, s *Source, p Part) error {
	out := &features{w: bufio.NewWriter(w)}
	out.w.WriteString(`{"type":"FeatureCollection","features":[`)
	for i := range s.shifts {
		if one := &s.shifts[i]; p.Shift == 0 && s.overlaps(p, one) || one.Number == p.Shift {
			s.shiftFeatures(out, one)
		}
	}
	if err := s.track(ctx, out, p); err != nil {
		return err
	}
	for e, err := range s.Events(p) {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		out.add(eventPoint(e), eventProperties(e))
	}
	out.w.WriteString("\n]}\n")
	if out.err != nil {
		return out.err
	}
	return out.w.Flush()
}

// overlaps tells whether a shift has something of the dates of a part.
func (s *Source) overlaps(p Part, one *Shift) bool {
	if p.From.IsZero() && p.Before.IsZero() {
		return true
	}
	began, ok := s.DateOf(one.Told.Shift.Began)
	ended, ok2 := s.DateOf(one.Told.Shift.Ended)
	return ok && ok2 && !ended.Before(p.From) && (p.Before.IsZero() || began.Before(p.Before))
}

// features writes features, each on a line.
type features struct {
	w    *bufio.Writer
	more bool
	err  error // the first
}

type geometry struct {
	Type        string `json:"type"`
	Coordinates any    `json:"coordinates"`
}

// add writes a feature; a nil geometry is none.
func (f *features) add(where *geometry, properties any) {
	text, err := json.Marshal(struct {
		Type       string    `json:"type"`
		Geometry   *geometry `json:"geometry"`
		Properties any       `json:"properties"`
	}{"Feature", where, properties})
	if err != nil {
		if f.err == nil {
			f.err = err
		}
		return
	}
	if f.more {
		f.w.WriteByte(',')
	}
	f.more = true
	f.w.WriteByte('\n')
	if _, err := f.w.Write(text); err != nil && f.err == nil {
		f.err = err
	}
}

func eventPoint(e *Event) *geometry {
	if e.Latitude == nil || e.Longitude == nil {
		return nil
	}
	return &geometry{"Point", place2{*e.Longitude, *e.Latitude}}
}

// orNil is a date as text, or nil.
func orNil(t *time.Time) *string {
	if t == nil {
		return nil
	}
	text := date(t)
	return &text
}

func eventProperties(e *Event) any {
	type properties struct {
		Kind      string             `json:"kind"`
		ID        string             `json:"id"`
		Alert     string             `json:"alert"`
		Subject   *string            `json:"subject"`
		Priority  string             `json:"priority"`
		Activity  string             `json:"activity"`
		Text      string             `json:"text"`
		Began     *string            `json:"began"`
		Raised    *string            `json:"raised"`
		Ended     *string            `json:"ended"`
		DurationS *float64           `json:"duration_s"`
		Signal    *string            `json:"signal"`
		Peak      *float64           `json:"peak"`
		PeakUnit  *string            `json:"peak_unit"`
		Evidence  map[string]float64 `json:"evidence"`
		Clock     string             `json:"clock"`
	}
	out := properties{"alert", e.ID, e.Kind, e.Subject, e.Priority, e.Activity, e.Text, orNil(e.Began), orNil(e.Raised), orNil(e.Ended), e.DurationS, e.Signal, nil, nil, e.Evidence, clock(&e.First)}
	if e.Peak != nil {
		out.Peak, out.PeakUnit = &e.Peak.Value, &e.Peak.Unit
	}
	return out
}

// totals are the sums of a shift or a field as flat properties.
type totals struct {
	AreaHa         *float64 `json:"area_ha"`
	AreaEstimated  *bool    `json:"area_estimated"`
	GrainT         *float64 `json:"grain_t"`
	GrainEstimated *bool    `json:"grain_estimated"`
	GrainBasis     *string  `json:"grain_basis"`
	YieldTHa       *float64 `json:"yield_t_ha"`
	FuelL          *float64 `json:"fuel_l"`
	MoisturePct    *float64 `json:"moisture_pct"`
	CuttingS       *float64 `json:"cutting_s"`
	FieldS         *float64 `json:"field_s"`
}

func totalsOf(t *shift.Totals) totals {
	value := func(a *shift.Amount) *float64 {
		if a == nil {
			return nil
		}
		return &a.Value
	}
	out := totals{AreaHa: value(t.AreaHa), GrainT: value(t.GrainT), YieldTHa: value(t.YieldTHa), FuelL: value(t.FuelL), MoisturePct: value(t.MoisturePct),
		CuttingS: &t.Times.CuttingS, FieldS: &t.Times.FieldS}
	if t.AreaHa != nil {
		out.AreaEstimated = &t.AreaHa.Estimated
	}
	if t.GrainT != nil {
		out.GrainEstimated, out.GrainBasis = &t.GrainT.Estimated, &t.GrainT.Basis
	}
	return out
}

// shiftFeatures writes a shift and its fields. Of one that is not over the totals
// are not known: its record is that of its beginning.
func (s *Source) shiftFeatures(out *features, one *Shift) {
	sum := &one.Told.Shift
	clock := s.clockOf(sum.Began)
	var ended *string
	var whole *shift.Summary
	var all totals
	if one.Over() {
		ended, whole, all = s.when(sum.Ended), sum, totalsOf(&sum.Total)
	}
	out.add(nil, struct {
		Kind    string  `json:"kind"`
		Number  uint32  `json:"number"`
		Machine string  `json:"machine"`
		Crop    string  `json:"crop"`
		Began   *string `json:"began"`
		Ended   *string `json:"ended"`
		Over    bool    `json:"over"`
		totals
		Summary *shift.Summary `json:"summary"`
		Clock   string         `json:"clock"`
	}{"shift", sum.Number, sum.Machine, sum.Crop, s.when(sum.Began), ended, one.Over(), all, whole, clock})
	for i := range sum.Fields {
		f := &sum.Fields[i]
		out.add(bounds(f), struct {
			Kind   string  `json:"kind"`
			Shift  uint32  `json:"shift"`
			Number int     `json:"number"`
			Name   string  `json:"name"`
			Began  *string `json:"began"`
			Ended  *string `json:"ended"`
			totals
			Clock string `json:"clock"`
		}{"field", sum.Number, f.Number, f.Name, s.when(f.Began), s.when(f.Ended), totalsOf(&f.Total), clock})
	}
}

// when is the date of a moment, or nil.
func (s *Source) when(m shift.Moment) *string {
	t, ok := s.DateOf(m)
	if !ok {
		return nil
	}
	text := t.Format(isoTime)
	return &text
}

func (s *Source) clockOf(m shift.Moment) string {
	_, from, _ := s.Date(m.Boot, m.At)
	return from.String()
}

// bounds is the rectangle of a field, counterclockwise (RFC 7946, 3.1.6). One
// over the antimeridian, or that is a line, is left out.
func bounds(f *shift.Field) *geometry {
	south, west, north, east := float64(f.South), float64(f.West), float64(f.North), float64(f.East)
	if !f.Located || !(south < north && west < east) || east-west > 180 {
		return nil
	}
	return &geometry{"Polygon", [][]place2{{{west, south}, {east, south}, {east, north}, {west, north}, {west, south}}}}
}
