package report

import (
	"fmt"
	"math"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/store"
	"chaffinch/store/export"
	"chaffinch/store/history"
)

// traces is what the curves and the map need of the rows.
type traces struct {
	source *export.Source
	Style
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
	full    int // of them with a fullness

	headland headland
	sick     []sick
	heard    [len(wanted)]bool
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

func newTraces(s *export.Source) *traces { return &traces{source: s} }

// unknownGap stands for the time between two runs of which no clock tells.
const unknownGap = 60.0

func (d *traces) add(row *history.Row) {
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
	d.headland.add(row)
	for i := range wanted {
		if !d.heard[i] {
			_, d.heard[i] = row.Value(wanted[i].id)
		}
	}
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
				d.full++
				m.full.add(float64(row.Feed.Fullness))
			}
		}
	}
	d.addTrack(row)
}

// at is where an instant of a run stands on the axis.
func (d *traces) at(boot uint32, at signal.Instant) (x float64, ok bool) {
	for i := len(d.runs) - 1; i >= 0; i-- {
		if d.runs[i].boot == boot {
			return d.runs[i].x + at.Sub(d.runs[i].at).Seconds(), true
		}
	}
	return 0, false
}

// wanted are the signals whose absence leaves a hole in the report.
var wanted = [...]struct {
	id    signal.ID
	words string
}{
	{signal.EngineLoad.ID, "engine load"}, {signal.FuelRate.ID, "fuel rate"}, {signal.RotorSpeed.ID, "rotor speed"}, {signal.CutWidth.ID, "cut width"},
	{signal.GrainFlow.ID, "grain flow"}, {signal.GrainMoisture.ID, "grain moisture"}, {signal.SeparationLoss.ID, "separation loss"},
	{signal.CleaningLoss.ID, "cleaning loss"}, {signal.Returns.ID, "returns"}, {signal.Latitude.ID, "position"},
}

// caveats say what the record cannot tell.
func (r *report) caveats(s *export.Source, d *traces) {
	say := func(format string, args ...any) { r.Caveats = append(r.Caveats, fmt.Sprintf(format, args...)) }
	if _, from, ok := s.Date(r.Shift.Began.Boot, r.Shift.Began.At); !ok {
		say("No clock could be trusted: there are no dates, and times count from the first row.")
	} else if from == store.SystemClock {
		say("Dates come from the computer's own clock; neither the bus nor a satellite receiver confirmed them.")
	}
	if d.gaps > 0 {
		say("Nothing was recorded for %s, in %s.", seconds(d.gapS), plural(d.gaps, "gap"))
	}
	if r.Shift.Runs > 1 {
		say("The program was started %d times during the shift.", r.Shift.Runs)
	}
	var never []string
	for i := range wanted {
		if !d.heard[i] {
			never = append(never, wanted[i].words)
		}
	}
	if len(never) > 0 {
		say("Never heard in this shift: %s.", strings.Join(never, ", "))
	}
	switch {
	case d.cut > 0 && d.full == 0:
		say("How full the machine was could not be known.")
	case d.full < d.cut*9/10:
		say("How full the machine was is known for %.0f %% of the cutting.", 100*float64(d.full)/float64(d.cut))
	}
	if n := s.Unread(); n > 0 {
		say("%s could not be read; what they told is missing here.", plural(n, "stored piece"))
	}
	if r.Shift.Total.LossKg == nil {
		say("What was left on the ground, in kg and in money, could not be known: it takes a count on the ground.")
	}
}

func plural(n int, word string) string {
	if n == 1 {
		return "one " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
