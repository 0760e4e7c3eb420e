package report

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"chaffinch/detect/shift"
	"chaffinch/store/export"
)

// report is all that the page shows.
type report struct {
	Style
	Shift    *shift.Summary
	Began    time.Time // zero where no clock could be trusted
	Ended    time.Time
	Dated    bool
	Over     bool
	Sentence string
	Time     []spell // how the time was spent, longest first
	Totals   []figure
	Fields   []fieldLine
	Maps     []template.HTML // one a field
	Curves   []template.HTML
	Marks    []mark // numbered on the map and the curves
	More     int    // alarms that have no number, being too many
	Alarms   []alarmLine
	places   []place
	Dialogue []turn
	Checks   []told
	Look     []string // before tomorrow
	Caveats  []string
}

// BeganAt and EndedAt are nil where they are not known.
func (r *report) BeganAt() *time.Time { return &r.Began }
func (r *report) EndedAt() *time.Time { return &r.Ended }

// SinceS is when it was, in s since the first row, for where there is no date.
func (m mark) SinceS() float64 { return m.x }

// alarmLine is a kind of alarm with how long its longest was, in s.
type alarmLine struct {
	Name           string
	Count          int
	ForS, LongestS float64
}

type spell struct {
	Words, Class string
	Term         string // of field work
	Seconds      float64
	Pct          float64
}

type figure struct {
	Words  string
	Amount *shift.Amount
	Unit   string
}

type fieldLine struct {
	Name  string
	Total *shift.Totals
}

type mark struct {
	Number   int
	At       *time.Time
	Kind     string
	Priority string
	Text     string
	For      string
	x        float64 // s since the first row
	place    point
	placed   bool
}

type turn struct {
	At      *time.Time
	Who     string // proposed, changed, found
	Text    string
	Outcome string // what became of a proposal
}

type told struct {
	At   *time.Time
	Text string
}

// mostMarks is how many alarms have a number of their own: the map must stay
// readable.
const mostMarks = 40

func gather(ctx context.Context, s *export.Source, p export.Part, style Style) (*report, error) {
	of, err := s.Shift(p.Shift)
	if err != nil {
		return nil, err
	}
	summary := &of.Told.Shift
	r := &report{Style: style, Shift: summary, Over: of.Over()}
	r.Began, r.Dated = s.DateOf(summary.Began)
	if t, ok := s.DateOf(summary.Ended); ok {
		r.Ended = t
	}
	d := newTraces(s)
	d.Style = style
	for row, err := range s.Rows(p) {
		if err != nil {
			return nil, err
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		d.add(row)
	}
	if err := r.alarms(s, p, d); err != nil {
		return nil, err
	}
	if err := r.dialogue(s, p); err != nil {
		return nil, err
	}
	r.spent()
	r.figures()
	r.Maps = d.drawMaps(r.Shift, r.Marks, r.places)
	r.Curves = d.drawCurves(r.Marks, r.Began, r.Dated)
	r.Sentence = r.sentence()
	r.look(d)
	r.caveats(s, d)
	return r, nil
}

func (r *report) alarms(s *export.Source, p export.Part, d *traces) error {
	var all []mark
	longest := map[string]float64{}
	for e, err := range s.Events(p) {
		if err != nil {
			return err
		}
		m := mark{At: e.Raised, Kind: e.Kind, Priority: e.Priority, Text: e.Text}
		if e.DurationS != nil {
			m.For = seconds(*e.DurationS)
			longest[e.Kind] = max(longest[e.Kind], *e.DurationS)
		}
		m.x, _ = d.at(e.First.Key.Boot, e.First.At)
		if e.Latitude != nil && e.Longitude != nil {
			m.place, m.placed = point{*e.Longitude, *e.Latitude}, true
		}
		all = append(all, m)
		d.addSick(e)
	}
	for _, c := range r.Shift.Alarms {
		r.Alarms = append(r.Alarms, alarmLine{c.Name, c.Count, c.ForS, longest[c.Name]})
	}
	slices.SortStableFunc(all, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	rest := []mark(nil)
	weight := map[string]int{"high": 0, "medium": 1, "low": 2}
	if len(all) > mostMarks {
		slices.SortStableFunc(all, func(a, b mark) int { return weight[a.Priority] - weight[b.Priority] })
		r.More = len(all) - mostMarks
		all, rest = all[:mostMarks:mostMarks], all[mostMarks:]
		slices.SortStableFunc(all, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	}
	for i := range all {
		all[i].Number = i + 1
	}
	r.Marks = all
	r.places = recurring(append(all[:len(all):len(all)], rest...))
	return nil
}

func seconds(s float64) string {
	switch {
	case s < 90:
		return fmt.Sprintf("%.0f s", s)
	case s < 5400:
		return fmt.Sprintf("%.0f min", s/60)
	}
	return hours(s) + " h"
}

// spent is where the time went.
func (r *report) spent() {
	t := &r.Shift.Total.Times
	for _, x := range []spell{
		{"cutting", "cutting", "effective time", t.CuttingS, 0}, {"turning at the headland", "turning", "turning time", t.TurningS, 0},
		{"unloading, standing", "unloading", "unloading time", t.UnloadingS, 0}, {"waiting, threshing on", "waiting", "waiting time", t.WaitingS, 0},
		{"blocked", "blocked", "time lost to a fault", t.BlockedS, 0}, {"idle", "idle", "standing in the field, reason not known", t.IdleS, 0},
		{"travelling", "travelling", "transport time", t.TravellingS, 0}, {"engine off", "off", "rest, reason not known", t.OffS, 0}, {"not known", "unknown", "", t.UnknownS, 0},
	} {
		if x.Seconds > 0 && t.TotalS > 0 {
			x.Pct = 100 * x.Seconds / t.TotalS
			r.Time = append(r.Time, x)
		}
	}
}

func (r *report) figures() {
	t := &r.Shift.Total
	for _, f := range []figure{
		{"area", t.AreaHa, "ha"}, {"grain, as it came in", t.GrainT, "t"}, {"grain at standard moisture", t.StandardT, "t"}, {"yield", t.YieldTHa, "t/ha"},
		{"moisture", t.MoisturePct, "%"}, {"area an hour of cutting", t.HaPerHCutting, "ha/h"}, {"area an hour in the field", t.HaPerHField, "ha/h"},
		{"grain an hour of cutting", t.TPerHCutting, "t/h"}, {"field efficiency", t.FieldEfficiencyPct, "%"}, {"fuel", t.FuelL, "l"}, {r.FuelOnLand(), t.LPerHa, "l/ha"},
		{r.fuelOnMass(), t.LPerT, "l/t"}, {"fullness, mean while cutting", t.FullnessPct, "%"}, {"distance cut", t.CutKm, "km"}, {"distance driven", t.DrivenKm, "km"},
		{"grain left on the ground", t.LossKg, "kg"}, {"its worth", t.LossMoney, ""},
	} {
		if f.Amount != nil {
			r.Totals = append(r.Totals, f)
		}
	}
	for i := range r.Shift.Fields {
		f := &r.Shift.Fields[i]
		r.Fields = append(r.Fields, fieldLine{fieldName(f), &f.Total})
	}
}

// sentence is the shift in one sentence.
func (r *report) sentence() string {
	t := &r.Shift.Total
	var b strings.Builder
	if a := t.AreaHa; a != nil {
		fmt.Fprintf(&b, "%s of %s", r.Amount(a, "ha"), orCrop(r.Shift.Crop))
	} else {
		fmt.Fprintf(&b, "%s of %s", hours(t.Times.CuttingS)+" h", orCrop(r.Shift.Crop))
	}
	if g := t.GrainT; g != nil {
		fmt.Fprintf(&b, ", %s of grain", r.Amount(g, "t"))
	}
	fmt.Fprintf(&b, ", in %s h of cutting out of %s h", hours(t.Times.CuttingS), hours(t.Times.TotalS))
	if f := t.FuelL; f != nil {
		fmt.Fprintf(&b, ", with %s of fuel", r.Amount(f, "l"))
	}
	n := 0
	for _, c := range r.Shift.Alarms {
		n += c.Count
	}
	switch n {
	case 0:
		b.WriteString("; no alarm")
	case 1:
		b.WriteString("; one alarm")
	default:
		fmt.Fprintf(&b, "; %d alarms", n)
	}
	b.WriteString(".")
	return strings.ToUpper(b.String()[:1]) + b.String()[1:]
}

func orCrop(name string) string {
	if name == "" {
		return "a crop that was not named"
	}
	return name
}
