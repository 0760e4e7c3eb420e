package survey

import (
	"fmt"
	"io"
	"strings"
)

const columns = 79

// shortLists is how much of a list is shown unless all of it is asked for.
const shortLists = 20

// Write prints the report for a terminal of 80 columns.
func (r *Report) Write(out io.Writer, all bool) error {
	w := &writer{w: out}
	w.line("%.1f s, %d frames, %.0f a second", r.DurationS, r.Frames, float64(r.Frames)/max(r.DurationS, 1))
	for _, i := range r.Interfaces {
		w.line("%s: %.0f %% of the bus in use, %.0f %% in its busiest second", i.Name, i.LoadPct, i.BusiestPct)
	}
	if r.Standard > 0 {
		w.line("%d frames of 11 bits: not J1939, left alone", r.Standard)
	}
	if r.Errors+int64(r.BadLines) > 0 {
		w.line("%d error frames, %d lines that could not be read", r.Errors, r.BadLines)
	}
	if r.Time != "" {
		w.line("the bus says that it is %s", r.Time)
	}
	w.head("IN SHORT")
	for _, s := range r.Verdict {
		w.wrap("", s)
	}
	r.writeSignals(w)
	r.writeAlarms(w)
	r.writeFaults(w, all)
	r.writeNodes(w, all)
	r.writeMessages(w, all)
	w.head("A CONFIGURATION TO BEGIN WITH")
	for line := range strings.SplitSeq(strings.TrimRight(r.Config, "\n"), "\n") {
		w.line("%s", line)
	}
	return w.err
}

func (r *Report) writeSignals(w *writer) {
	w.head("SIGNALS")
	for _, s := range r.Signals {
		if len(s.Ways) == 0 {
			continue
		}
		info := s.id.Info()
		state := s.State
		if s.State == "silent" {
			state = fmt.Sprintf("silent for the last %.0f s", s.SilentS)
		}
		best := s.Ways[0]
		if best.Good == 0 {
			w.line("  %-18s %s", info.Words, state)
		} else {
			w.line("  %-18s %s, %.*f to %.*f %s", info.Words, state, info.Decimals, best.Lowest, info.Decimals, best.Highest, s.Unit)
		}
		for i, way := range s.Ways {
			if i == 3 {
				w.line("  %18s … and %d more", "", len(s.Ways)-3)
				break
			}
			from := fmt.Sprintf("%s from %02X on %s, %.1f a second", way.Route, way.Address, way.Interface, way.RateHz)
			if way.Good > 0 && way.Unusable > 0 {
				from += fmt.Sprintf(", %.0f %% without a value", 100*float64(way.Unusable)/float64(way.Good+way.Unusable))
			}
			w.wrap(strings.Repeat(" ", 21), from)
		}
	}
	r.writeMissing(w)
}

// writeMissing lists what is not heard under what to do about it.
func (r *Report) writeMissing(w *writer) {
	var order []string
	groups := map[string][]Signal{}
	for _, s := range r.Signals {
		if s.State == "heard" {
			continue
		}
		if groups[s.Do] == nil {
			order = append(order, s.Do)
		}
		groups[s.Do] = append(groups[s.Do], s)
	}
	if len(order) == 0 {
		return
	}
	w.head("WHAT IS MISSING, WHAT IT COSTS, AND WHAT TO DO")
	for _, do := range order {
		for _, s := range groups[do] {
			w.wrap(fmt.Sprintf("  %-18s ", s.id.Info().Words), s.Costs)
		}
		w.wrap("     -> ", do)
	}
}

func (r *Report) writeAlarms(w *writer) {
	w.head("ALARMS")
	for _, a := range r.Alarms {
		if a.Possible {
			w.line("  yes  %s", a.Kind)
		} else {
			w.wrap(fmt.Sprintf("  no   %s: ", a.Kind), "it needs "+strings.Join(a.Missing, ", and "))
		}
	}
}

func (r *Report) writeFaults(w *writer, all bool) {
	if len(r.Faults) == 0 {
		return
	}
	w.head("FAULT CODES")
	for i, f := range r.Faults {
		if w.cut(i, len(r.Faults), all) {
			break
		}
		w.wrap(fmt.Sprintf("  %s %02X  SPN %d FMI %d  ", f.Interface, f.Address, f.SPN, f.FMI), f.Words)
	}
}

func (r *Report) writeNodes(w *writer, all bool) {
	w.head("NODES")
	for i, n := range r.Nodes {
		if w.cut(i, len(r.Nodes), all) {
			break
		}
		w.wrap(fmt.Sprintf("  %-5s %02X  %4.1f %%  ", n.Interface, n.Address, n.SharePct), n.Words)
	}
}

func (r *Report) writeMessages(w *writer, all bool) {
	w.head("MESSAGES")
	w.line("  %-5s from   PGN      count  a second  every ms   ±ms  what", "bus")
	for i, m := range r.Messages {
		if w.cut(i, len(r.Messages), all) {
			break
		}
		what := m.Words
		if m.Long {
			what += fmt.Sprintf(" (%d bytes)", m.Bytes)
		}
		line := fmt.Sprintf("  %-5s %02X  %6d  %9d  %8.1f  %8.0f %5.0f  %s", m.Interface, m.Address, m.PGN, m.Count, m.RateHz, m.PeriodMs, m.JitterMs, what)
		w.line("%s", short(line))
	}
	for _, t := range r.Transport {
		w.wrap("  in several frames, ", fmt.Sprintf("%s: %d complete, %d aborted, %d lost, %d packets of no message, %d packets twice", t.Kind, t.Complete, t.Aborted, t.Lost, t.Orphans, t.Repeats))
	}
	if r.Pools > 0 {
		w.line("  %d device descriptor pools were uploaded", r.Pools)
	}
}

// writer keeps the first error and knows how wide the terminal is.
type writer struct {
	w   io.Writer
	err error
}

func (w *writer) line(format string, args ...any) {
	if _, err := fmt.Fprintln(w.w, strings.TrimRight(fmt.Sprintf(format, args...), " ")); err != nil && w.err == nil {
		w.err = err
	}
}

func (w *writer) head(text string) {
	w.line("")
	w.line("%s", text)
}

// cut says that the rest of a list is not shown.
func (w *writer) cut(i, n int, all bool) bool {
	if all || i < shortLists {
		return false
	}
	w.line("  … and %d more: --all shows them", n-i)
	return true
}

// wrap prints text behind a lead, broken at the last column and indented.
func (w *writer) wrap(lead, text string) {
	line := lead
	indent := strings.Repeat(" ", min(len([]rune(lead)), 24))
	fresh := true
	for word := range strings.FieldsSeq(text) {
		if !fresh && len([]rune(line))+1+len([]rune(word)) > columns {
			w.line("%s", line)
			line, fresh = indent, true
		}
		if !fresh {
			line += " "
		}
		line += word
		fresh = false
	}
	w.line("%s", line)
}

// short cuts a line that is too wide.
func short(line string) string {
	if r := []rune(line); len(r) > columns {
		return string(r[:columns-1]) + "…"
	}
	return line
}
