package report

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/store/export"
	"chaffinch/store/history"
)

// report is all that the page shows.
type report struct {
	Shift    *shift.Summary
	Began    time.Time // zero where no clock could be trusted
	Ended    time.Time
	Dated    bool
	Over     bool
	Sentence string
	Time     []spell // how the time was spent, longest first
	Totals   []figure
	Fields   []fieldLine
	Map      template.HTML
	Curves   []template.HTML
	Marks    []mark // numbered on the map and the curves
	More     int    // alarms that have no number, being too many
	Alarms   []shift.Count
	Dialogue []turn
	Checks   []told
	Look     []string // before tomorrow
	Caveats  []string
}

// BeganAt and EndedAt are nil where they are not known.
func (r *report) BeganAt() *time.Time { return &r.Began }
func (r *report) EndedAt() *time.Time { return &r.Ended }

type spell struct {
	Words, Class string
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
	Who     string // chaffinch, operator, verdict
	Text    string
	Outcome string
}

type told struct {
	At   *time.Time
	Text string
}

// mostMarks is how many alarms have a number of their own: the map must stay
// readable.
const mostMarks = 40

func gather(ctx context.Context, s *export.Source, p export.Part) (*report, error) {
	of, err := s.Shift(p.Shift)
	if err != nil {
		return nil, err
	}
	summary := &of.Told.Shift
	r := &report{Shift: summary, Over: of.Over(), Alarms: summary.Alarms}
	r.Began, r.Dated = s.DateOf(summary.Began)
	if t, ok := s.DateOf(summary.Ended); ok {
		r.Ended = t
	}
	d := newDay(s)
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
	r.Map = d.drawMap(r.Marks)
	r.Curves = d.drawCurves(r.Marks, r.Began, r.Dated)
	r.Sentence = r.sentence()
	r.look(d)
	if n := s.Unread(); n > 0 {
		r.Caveats = append(r.Caveats, fmt.Sprintf("%d stored pieces could not be read; what they told is missing here.", n))
	}
	if !r.Dated {
		r.Caveats = append(r.Caveats, "No clock could be trusted: there are no dates, and times count from the first row.")
	}
	if d.gaps > 0 {
		r.Caveats = append(r.Caveats, fmt.Sprintf("Nothing was recorded for %s in %d gaps.", hours(d.gapS), d.gaps))
	}
	return r, nil
}

func (r *report) alarms(s *export.Source, p export.Part, d *day24) error {
	var all []mark
	for e, err := range s.Events(p) {
		if err != nil {
			return err
		}
		m := mark{At: e.Raised, Kind: e.Kind, Priority: e.Priority, Text: e.Text}
		if e.DurationS != nil {
			m.For = seconds(*e.DurationS)
		}
		m.x, _ = d.at(e.First.Key.Boot, e.First.At)
		if e.Latitude != nil && e.Longitude != nil {
			m.place, m.placed = point{*e.Longitude, *e.Latitude}, true
		}
		all = append(all, m)
	}
	slices.SortStableFunc(all, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	weight := map[string]int{"high": 0, "medium": 1, "low": 2}
	if len(all) > mostMarks {
		slices.SortStableFunc(all, func(a, b mark) int { return weight[a.Priority] - weight[b.Priority] })
		r.More = len(all) - mostMarks
		all = all[:mostMarks]
		slices.SortStableFunc(all, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	}
	for i := range all {
		all[i].Number = i + 1
	}
	r.Marks = all
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

// dialogue is what was proposed, done and found, in the order of the store.
func (r *report) dialogue(s *export.Source, p export.Part) error {
	type placed struct {
		turn
		boot uint64
		seq  uint64
	}
	var all []placed
	for q, err := range s.Prompts(p) {
		if err != nil {
			return err
		}
		text := q.Head
		if q.Reason != "" {
			text += ". " + q.Reason
		}
		if q.Closed != "" {
			text += " – " + strings.ReplaceAll(q.Closed, "-", " ")
		}
		all = append(all, placed{turn{At: q.Opened, Who: "proposed", Text: text}, uint64(q.First.Key.Boot), q.First.Key.Seq})
	}
	for v, err := range s.Verdicts(p) {
		if err != nil {
			return err
		}
		all = append(all, placed{turn{At: v.Judged, Who: "found", Text: v.Text, Outcome: v.Outcome}, uint64(v.Record.Key.Boot), v.Record.Key.Seq})
	}
	for c, err := range s.Settings(p) {
		if err != nil {
			return err
		}
		if c.Prompt != "" || c.From == nil || c.To == nil || c.Lever == "ground_speed" {
			continue // ground speed changes all the time; the curve of the feed tells
		}
		text := fmt.Sprintf("%s from %s to %s %s", strings.ReplaceAll(c.Lever, "_", " "), number(*c.From), number(*c.To), c.Unit)
		all = append(all, placed{turn{At: c.Changed, Who: "changed", Text: text}, uint64(c.Record.Key.Boot), c.Record.Key.Seq})
	}
	slices.SortStableFunc(all, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.boot, b.boot), cmp.Compare(a.seq, b.seq))
	})
	for _, t := range all {
		r.Dialogue = append(r.Dialogue, t.turn)
	}
	for c, err := range s.Checks(p) {
		if err != nil {
			return err
		}
		if c.Phase != "told" {
			continue
		}
		t := told{Text: c.Text}
		if !c.Record.Date.IsZero() {
			t.At = &c.Record.Date
		}
		if g := c.Ground; g != nil && g.MachineKgHa != nil {
			t.Text = fmt.Sprintf("%s On the ground behind the machine: %s kg/ha, from %d kernels.", t.Text, number(*g.MachineKgHa), g.Kernels)
		}
		r.Checks = append(r.Checks, t)
	}
	return nil
}

// spent is where the time went.
func (r *report) spent() {
	t := &r.Shift.Total.Times
	for _, x := range []spell{
		{"cutting", "cutting", t.CuttingS, 0}, {"turning at the headland", "turning", t.TurningS, 0}, {"unloading, standing", "unloading", t.UnloadingS, 0},
		{"waiting, threshing on", "waiting", t.WaitingS, 0}, {"blocked", "blocked", t.BlockedS, 0}, {"idle", "idle", t.IdleS, 0},
		{"travelling", "travelling", t.TravellingS, 0}, {"engine off", "off", t.OffS, 0}, {"not known", "unknown", t.UnknownS, 0},
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
		{"grain an hour of cutting", t.TPerHCutting, "t/h"}, {"field efficiency", t.FieldEfficiencyPct, "%"}, {"fuel", t.FuelL, "l"}, {"fuel on a hectare", t.LPerHa, "l/ha"},
		{"fuel on a tonne", t.LPerT, "l/t"}, {"fullness, mean while cutting", t.FullnessPct, "%"}, {"distance cut", t.CutKm, "km"}, {"distance driven", t.DrivenKm, "km"},
		{"grain left on the ground", t.LossKg, "kg"}, {"its worth", t.LossMoney, ""},
	} {
		if f.Amount != nil {
			r.Totals = append(r.Totals, f)
		}
	}
	for i := range r.Shift.Fields {
		f := &r.Shift.Fields[i]
		name := f.Name
		if name == "" {
			name = fmt.Sprintf("field %d", f.Number)
		}
		r.Fields = append(r.Fields, fieldLine{name, &f.Total})
	}
}

// amount is a sum with its unit, marked where it is estimated.
func amount(a *shift.Amount, unit string) string {
	if a == nil {
		return "–"
	}
	text := number(a.Value)
	if unit != "" {
		text += " " + unit
	}
	if a.Estimated {
		text = "≈ " + text
	}
	return text
}

// sentence is the shift in one sentence.
func (r *report) sentence() string {
	t := &r.Shift.Total
	var b strings.Builder
	if a := t.AreaHa; a != nil {
		fmt.Fprintf(&b, "%s of %s", amount(a, "ha"), orCrop(r.Shift.Crop))
	} else {
		fmt.Fprintf(&b, "%s of %s", hours(t.Times.CuttingS)+" h", orCrop(r.Shift.Crop))
	}
	if g := t.GrainT; g != nil {
		fmt.Fprintf(&b, ", %s of grain", amount(g, "t"))
	}
	fmt.Fprintf(&b, ", in %s h of cutting out of %s h", hours(t.Times.CuttingS), hours(t.Times.TotalS))
	if f := t.FuelL; f != nil {
		fmt.Fprintf(&b, ", with %s of fuel", amount(f, "l"))
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

// look lists what deserves a look before tomorrow.
func (r *report) look(d *day24) {
	sick := map[string]int{}
	faults := map[string]bool{}
	for _, m := range r.Marks {
		switch m.Kind {
		case "signal-silent", "signal-faulty", "signal-stuck", "signal-implausible":
			sick[m.Text]++
		case "fault-code":
			if !faults[m.Text] {
				faults[m.Text] = true
				r.Look = append(r.Look, "A fault code was active: "+m.Text+".")
			}
		}
	}
	texts := make([]string, 0, len(sick))
	for text := range sick {
		texts = append(texts, text)
	}
	slices.Sort(texts)
	for _, text := range texts {
		times := ""
		if sick[text] > 1 {
			times = fmt.Sprintf(" (%d times)", sick[text])
		}
		r.Look = append(r.Look, text+times+".")
	}
	r.Look = append(r.Look, clusters(r.Marks)...)
	t := &r.Shift.Total.Times
	if t.WaitingS > 0.08*t.TotalS && t.WaitingS > 600 {
		r.Look = append(r.Look, fmt.Sprintf("The machine waited %s h with threshing on: is there room for another trailer?", hours(t.WaitingS)))
	}
	if len(r.Checks) == 0 {
		r.Look = append(r.Look, "No sample was looked at and nothing was counted on the ground: loss sensors show direction, not kilograms.")
	}
	if d.cut > 0 && d.fed == 0 {
		r.Look = append(r.Look, "The feed was never known: see the survey for what is missing.")
	}
}

// clusters are places where overload or loss came again: three alarms and more of
// a kind within 60 m.
func clusters(marks []mark) []string {
	const within, least = 60.0, 3
	var out []string
	for _, kind := range []string{"engine-overload", "rotor-slowing", "separation-loss-high", "cleaning-loss-high", "feed-drop"} {
		var best []int
		for _, m := range marks {
			if m.Kind != kind || !m.placed {
				continue
			}
			var near []int
			for j, n := range marks {
				if n.Kind == kind && n.placed && metres(m.place, n.place) <= within {
					near = append(near, j)
				}
			}
			if len(near) > len(best) {
				best = near
			}
		}
		if len(best) >= least {
			var numbers []string
			for _, j := range best {
				numbers = append(numbers, fmt.Sprint(marks[j].Number))
			}
			out = append(out, fmt.Sprintf("%s came %d times at one place of the field (numbers %s on the map).",
				sentenceCase(kind), len(best), strings.Join(numbers, ", ")))
		}
	}
	return out
}

func sentenceCase(kind string) string {
	words := strings.ReplaceAll(kind, "-", " ")
	return strings.ToUpper(words[:1]) + words[1:]
}

// day24 is what the curves and the map need of the rows.
type day24 struct {
	source *export.Source
	// x of the rows: s since the first, over restarts and gaps.
	x       float64
	started bool
	boot    uint32
	last    signal.Instant
	runs    []run
	gaps    int
	gapS    float64

	minutes []minute
	track   []trackPoint
	cut     int // rows of cutting
	fed     int // of them with a feed
}

// run is where a run of the program begins on the axis.
type run struct {
	boot uint32
	at   signal.Instant
	x    float64
}

// minute is the sums of a minute of rows.
type minute struct {
	feed, full, load, sep, clean mean
}

type mean struct {
	sum float64
	n   int
}

func (m *mean) add(v float64) { m.sum += v; m.n++ }

func (m *mean) value() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.sum / float64(m.n)
}

func newDay(s *export.Source) *day24 { return &day24{source: s} }

// unknownGap stands for the time between two runs of which no clock tells.
const unknownGap = 60.0

func (d *day24) add(row *history.Row) {
	switch {
	case !d.started:
		d.started = true
		d.runs = append(d.runs, run{row.Boot, row.At, 0})
	case row.Boot == d.boot:
		step := row.At.Sub(d.last).Seconds()
		d.x += step
		if step > 2.5 {
			d.gaps++
			d.gapS += step
		}
	default:
		gap := unknownGap
		a, _, ok1 := d.source.Date(uint64(d.boot), d.last)
		b, _, ok2 := d.source.Date(uint64(row.Boot), row.At)
		if ok1 && ok2 && b.After(a) {
			gap = b.Sub(a).Seconds()
		}
		d.x += gap
		d.gaps++
		d.gapS += gap
		d.runs = append(d.runs, run{row.Boot, row.At, d.x})
	}
	d.boot, d.last = row.Boot, row.At
	i := int(d.x / 60)
	for len(d.minutes) <= i {
		d.minutes = append(d.minutes, minute{})
	}
	m := &d.minutes[i]
	put := func(to *mean, id signal.ID) {
		if v, ok := row.Value(id); ok {
			to.add(v)
		}
	}
	put(&m.load, signal.EngineLoad.ID)
	if row.Activity == machine.Cutting {
		d.cut++
		put(&m.sep, signal.SeparationLoss.ID)
		put(&m.clean, signal.CleaningLoss.ID)
		if row.Feed.Basis != machine.NoFeed {
			d.fed++
			m.feed.add(float64(row.Feed.Rate))
			if row.Feed.FullnessKnown {
				m.full.add(float64(row.Feed.Fullness))
			}
		}
	}
	d.addTrack(row)
}

// at is where an instant of a run stands on the axis.
func (d *day24) at(boot uint32, at signal.Instant) (x float64, ok bool) {
	for i := len(d.runs) - 1; i >= 0; i-- {
		if d.runs[i].boot == boot {
			return d.runs[i].x + at.Sub(d.runs[i].at).Seconds(), true
		}
	}
	return 0, false
}
