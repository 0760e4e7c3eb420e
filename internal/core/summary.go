package core

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
)

// Summary tells a technician what was in a log: how much was heard, from how
// many senders, what each signal did, and what came of it. Feed it the frames
// after the core has placed them, and the core's outputs.
type Summary struct {
	frames, extended, standard, errors, other int64
	senders                                   [256]bool
	segments                                  int
	seconds                                   float64 // event time covered by steps
	signals                                   [signal.Count]span
	activity                                  map[machine.Activity]int // steps
	kinds                                     map[string]int
	prompts                                   int
	verdicts                                  map[string]int
	first, last                               int64 // stamps
	shifts                                    []*shift.Summary
}

// span is what became of one signal.
type span struct {
	good     int // readings with a value
	min, max float64
	sum      float64
	quality  signal.Quality // of the newest reading without one

	steps, usable int // since the first reading
}

// NewSummary is an empty summary.
func NewSummary() *Summary {
	return &Summary{activity: map[machine.Activity]int{}, kinds: map[string]int{}, verdicts: map[string]int{}}
}

// Batch counts frames.
func (s *Summary) Batch(frames []canbus.Frame) {
	for i := range frames {
		s.frame(&frames[i])
	}
}

func (s *Summary) frame(f *canbus.Frame) {
	if s.frames == 0 {
		s.first = f.Stamp
	}
	s.last = f.Stamp
	s.frames++
	switch {
	case f.Is(canbus.ErrorFrame):
		s.errors++
	case f.Flags&(canbus.Remote|canbus.FD) != 0:
		s.other++
	case f.Is(canbus.Extended):
		s.extended++
		s.senders[f.ID&0xFF] = true
	default:
		s.standard++
	}
}

// Reading takes a reading.
func (s *Summary) Reading(id signal.ID, r *signal.Reading[float64]) {
	sp := &s.signals[id]
	if r.Quality != signal.Good {
		sp.quality = r.Quality
		return
	}
	if sp.good == 0 {
		sp.min, sp.max = r.Value, r.Value
	}
	sp.good++
	sp.min, sp.max = min(sp.min, r.Value), max(sp.max, r.Value)
	sp.sum += r.Value
}

// State counts a step.
func (s *Summary) State(st *machine.State) {
	s.segments = st.Segment + 1
	s.seconds += machine.Period.Seconds()
	s.activity[st.Activity]++
	for id := range signal.ID(signal.Count) {
		sp := &s.signals[id]
		if sp.good == 0 && sp.quality == signal.Missing {
			continue
		}
		sp.steps++
		if _, ok := st.Signals.Fresh(id, st.Now); ok {
			sp.usable++
		}
	}
}

// Event counts an event when it is raised.
func (s *Summary) Event(e *detect.Event) {
	if e.Phase == detect.Raised {
		s.kinds[e.Kind]++
	}
}

// Note counts prompts and verdicts.
func (s *Summary) Note(n *advise.Note) {
	switch n.Kind {
	case advise.PromptOpened:
		s.prompts++
	case advise.VerdictGiven:
		s.verdicts[n.Verdict.Outcome]++
	}
}

// Shift takes a shift that is over.
func (s *Summary) Shift(t ShiftTold) {
	if t.Phase == ShiftEnded {
		s.shifts = append(s.shifts, t.Summary)
	}
}

// Write prints the summary for a terminal of 80 columns.
func (s *Summary) Write(w io.Writer, interfaces []string, log canbus.Stats) {
	if s.frames == 0 {
		fmt.Fprintf(w, "  no frame in %d lines: is it a candump, asc or pcap log?\n", log.Lines)
		writeBad(w, log)
		return
	}
	senders := 0
	for _, heard := range s.senders {
		if heard {
			senders++
		}
	}
	fmt.Fprintf(w, "  %s of event time", seconds(s.seconds))
	if s.frames > 0 {
		fmt.Fprintf(w, ", first frame %s", stampText(s.first))
	}
	fmt.Fprintln(w)
	fmt.Fprintf(w, "  %d frames", s.frames)
	if s.seconds >= 1 {
		fmt.Fprintf(w, ", %.0f a second", float64(s.frames)/s.seconds)
	}
	fmt.Fprintf(w, ", on %s\n", strings.Join(interfaces, ", "))
	fmt.Fprintf(w, "  %d of 29 bits from %d addresses, %d of 11 bits (not J1939)", s.extended, senders, s.standard)
	if s.errors+s.other > 0 {
		fmt.Fprintf(w, ", %d error frames, %d remote or FD", s.errors, s.other)
	}
	fmt.Fprintln(w)
	if s.segments > 1 {
		fmt.Fprintf(w, "  %d segments: the bus was silent between them, or the log's clock stepped\n", s.segments)
	}
	writeBad(w, log)
	s.writeSignals(w)
	s.writeActivity(w)
	s.writeKinds(w)
	s.writeAdvice(w)
	for _, sh := range s.shifts {
		writeShift(w, sh)
	}
}

// writeShift prints what a shift adds up to; "about" is an estimate.
func writeShift(w io.Writer, s *shift.Summary) {
	var parts []string
	add := func(a *shift.Amount, digits int, unit string) {
		if a == nil {
			return
		}
		about := ""
		if a.Estimated {
			about = "about "
		}
		parts = append(parts, fmt.Sprintf("%s%.*f %s", about, digits, a.Value, unit))
	}
	t := &s.Total
	add(t.AreaHa, 2, "ha")
	add(t.GrainT, 1, "t")
	add(t.FuelL, 0, "L")
	add(t.CutKm, 1, "km cut")
	add(t.HaPerHCutting, 1, "ha/h cutting")
	add(t.HaPerHField, 1, "ha/h in the field")
	add(t.MoisturePct, 1, "% moisture")
	parts = append(parts, "cutting "+seconds(t.Times.CuttingS)+" of "+seconds(t.Times.FieldS)+" in the field")
	if n := len(s.Fields); n > 1 {
		parts = append(parts, fmt.Sprintf("%d fields", n))
	}
	writeList(w, fmt.Sprintf("shift %d: ", s.Number), parts)
}

func writeBad(w io.Writer, log canbus.Stats) {
	if log.Bad > 0 || log.Skipped > 0 {
		fmt.Fprintf(w, "  %d lines could not be read, %d were no frames\n", log.Bad, log.Skipped)
	}
	for _, b := range log.FirstBad {
		fmt.Fprintf(w, "    %s\n", b)
	}
}

func (s *Summary) writeSignals(w io.Writer) {
	var never, unusable []string
	header := false
	for id := range signal.ID(signal.Count) {
		sp, info := &s.signals[id], id.Info()
		switch {
		case sp.good == 0 && sp.quality == signal.Missing:
			never = append(never, info.Words)
			continue
		case sp.good == 0:
			unusable = append(unusable, fmt.Sprintf("%s (%s)", info.Words, sp.quality))
			continue
		}
		if !header {
			header = true
			fmt.Fprintf(w, "  %-22s %11s %11s %11s %-5s %6s\n", "heard", "lowest", "mean", "highest", "unit", "usable")
		}
		d := info.Decimals
		if info.Flag {
			d = 2 // the mean is the share of readings in which it was set
		}
		fmt.Fprintf(w, "  %-22s %11.*f %11.*f %11.*f %-5s %5.0f%%\n", info.Words,
			d, sp.min, d, sp.sum/float64(sp.good), d, sp.max, info.Unit, 100*float64(sp.usable)/float64(max(sp.steps, 1)))
	}
	writeList(w, "sent, but without a value: ", unusable)
	writeList(w, "never heard: ", never)
}

func (s *Summary) writeActivity(w io.Writer) {
	var parts []string
	for a := machine.Unknown; a <= machine.Blocked; a++ {
		if n := s.activity[a]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %s", a, seconds(float64(n)*machine.Period.Seconds())))
		}
	}
	writeList(w, "time: ", parts)
}

func (s *Summary) writeKinds(w io.Writer) {
	if len(s.kinds) == 0 {
		fmt.Fprintln(w, "  no alarms")
		return
	}
	var names []string
	for k := range s.kinds {
		names = append(names, k)
	}
	slices.Sort(names)
	for i, k := range names {
		names[i] = fmt.Sprintf("%s %d", k, s.kinds[k])
	}
	writeList(w, "alarms: ", names)
}

func (s *Summary) writeAdvice(w io.Writer) {
	if s.prompts == 0 && len(s.verdicts) == 0 {
		return
	}
	parts := []string{fmt.Sprintf("prompts %d", s.prompts)}
	for _, outcome := range slices.Sorted(maps.Keys(s.verdicts)) {
		parts = append(parts, fmt.Sprintf("%s %d", outcome, s.verdicts[outcome]))
	}
	writeList(w, "advice: ", parts)
}

// writeList prints a list behind a title, broken at 80 columns.
func writeList(w io.Writer, title string, items []string) {
	if len(items) == 0 {
		return
	}
	line := "  " + title
	for i, item := range items {
		if i < len(items)-1 {
			item += ", "
		}
		if len(line)+len(item) > 79 {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			line = "    "
		}
		line += item
	}
	fmt.Fprintln(w, line)
}

// seconds shows a length of time with a unit that suits it.
func seconds(s float64) string {
	switch {
	case s < 120:
		return fmt.Sprintf("%.1f s", s)
	case s < 7200:
		return fmt.Sprintf("%.1f min", s/60)
	}
	return fmt.Sprintf("%.2f h", s/3600)
}

// stampText shows a stamp as a date, or as seconds if the log counts from
// zero.
func stampText(ns int64) string {
	const year = int64(365 * 24 * time.Hour)
	if ns < year {
		return fmt.Sprintf("at %.3f s", float64(ns)/1e9)
	}
	return time.Unix(0, ns).UTC().Format("2006-01-02 15:04:05.000 UTC")
}
