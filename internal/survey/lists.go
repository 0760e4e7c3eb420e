package survey

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/j1939"
)

func (r *Report) writeBus(w *writer) {
	w.head("BUS")
	w.line("  %.1f s, %d frames, %.0f a second", r.DurationS, r.Frames, float64(r.Frames)/max(r.DurationS, 1))
	if r.ListenedS > r.DurationS+1 {
		w.line("  listened for %.0f s; the first frame came after %.0f s", r.ListenedS, r.ListenedS-r.DurationS)
	}
	for _, i := range r.Interfaces {
		w.wrap(fmt.Sprintf("  %s: ", i.Name), fmt.Sprintf("%d frames, %.0f %% of %d kbit/s in use, %.0f %% in the busiest second",
			i.Frames, i.LoadPct, i.BitrateKbit, i.BusiestPct))
	}
	if r.ClockSteps > 0 {
		w.line("  the log's clock was set %s; that time is not counted", count(r.ClockSteps, "time", "times"))
	}
	if r.Standard > 0 {
		w.line("  %d frames of 11 bits: not J1939, left alone", r.Standard)
	}
	if r.Errors > 0 {
		w.line("  %d error frames", r.Errors)
	}
	if r.BadLines > 0 {
		w.line("  %d lines of the log could not be read", r.BadLines)
	}
	if r.Dropped > 0 {
		w.line("  %d frames were lost in this computer", r.Dropped)
	}
	if r.Clock != nil {
		w.wrap("  time: ", fmt.Sprintf("%s, by PGN %d (%s) from %s", r.Clock.UTC, r.Clock.PGN, groupWords(j1939.PGN(r.Clock.PGN)), places(r.Clock.From)))
	} else {
		w.line("  time: nobody tells it")
	}
	if len(r.Tasks) > 0 {
		w.line("  task controller: %s", places(r.Tasks))
	} else {
		w.line("  task controller: none heard")
	}
}

// places lists addresses, with the interface where it is not the same for all.
func places(all []Place) string {
	var parts []string
	for _, p := range all[:min(len(all), 6)] {
		parts = append(parts, fmt.Sprintf("%02X on %s", p.Address, p.Interface))
	}
	if more := len(all) - len(parts); more > 0 {
		parts = append(parts, fmt.Sprintf("%d more", more))
	}
	return strings.Join(parts, ", ")
}

// stateWords say what is wrong with a signal that has a sender.
var stateWords = map[string]string{
	"silent": "silent", "not-available": "without a value", "error": `its sender says "error"`, "out-of-range": "out of what can be",
}

func (r *Report) writeSignals(w *writer) {
	w.head("SIGNALS THAT HAVE A SENDER")
	none := true
	for i := range r.Signals {
		if s := &r.Signals[i]; len(s.Ways) > 0 {
			none = false
			s.write(w)
		}
	}
	if none {
		w.line("  none of those that chaffinch can use")
	}
}

func (s *Signal) write(w *writer) {
	lead := fmt.Sprintf("  %-18s ", s.id.Info().Words)
	ranges := s.ranges()
	several := 0
	for _, way := range s.Ways {
		if way.Good > 0 {
			several++
		}
	}
	switch {
	case s.State == isHeard:
		if s.DifferBy > 0 {
			ranges += fmt.Sprintf("; its sources differ by up to %.*f %s: choose in [prefer]", s.id.Info().Decimals, s.DifferBy, unitWords(s.Unit))
		}
		w.wrap(lead, ranges)
	case s.WithoutS > 0:
		w.wrap(lead, fmt.Sprintf("%s for the last %.0f s; before, %s", stateWords[s.State], s.WithoutS, ranges))
	default:
		w.wrap(lead, stateWords[s.State])
	}
	for i, way := range s.Ways {
		if i == 3 && !w.all && len(s.Ways) > 4 {
			w.line("  %18s … and %d more: --all shows them", "", len(s.Ways)-3)
			return
		}
		from := fmt.Sprintf("%02X on %s", way.Address, way.Interface)
		if way.Address == 254 {
			from = way.Interface
		}
		text := fmt.Sprintf("%s: %s, %.1f a second", from, way.Route, way.RateHz)
		if way.OnChange {
			text = fmt.Sprintf("%s: %s, when it changes or is asked for", from, way.Route)
		}
		if several > 1 && way.Good > 0 {
			text += ", " + s.rangeOf(way)
		}
		switch {
		case way.Good == 0:
			text += ", never with a value"
		case way.Unusable > 0:
			text += fmt.Sprintf(", %.0f %% without a value", 100*float64(way.Unusable)/float64(way.Good+way.Unusable))
		}
		if way.InUse && len(s.Ways) > 1 {
			text += "; in use"
		}
		w.wrap(strings.Repeat(" ", 21), text)
	}
}

// ranges is from where to where the source in use goes, or the fullest.
func (s *Signal) ranges() string {
	for _, way := range s.Ways {
		if way.Good > 0 {
			return s.rangeOf(way)
		}
	}
	return ""
}

// unitWords shows a unit as people write it.
func unitWords(unit string) string {
	switch unit {
	case "Cel":
		return "°C"
	case "deg":
		return "°"
	}
	return unit
}

func (s *Signal) rangeOf(way Way) string {
	info := s.id.Info()
	unit := unitWords(s.Unit)
	if info.Flag {
		return map[[2]float64]string{{0, 0}: "always off", {1, 1}: "always on", {0, 1}: "off and on"}[[2]float64{way.Lowest, way.Highest}]
	}
	from, to := fmt.Sprintf("%.*f", info.Decimals, way.Lowest), fmt.Sprintf("%.*f", info.Decimals, way.Highest)
	if from == to {
		return fmt.Sprintf("always %s %s", from, unit)
	}
	return fmt.Sprintf("%s to %s %s", from, to, unit)
}

// writeMissing lists what has no value under what to do about it.
func (r *Report) writeMissing(w *writer) {
	var order []string
	groups := map[string][]*Signal{}
	for i := range r.Signals {
		s := &r.Signals[i]
		if s.State == isHeard {
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
	w.head("WHAT IS MISSING, WHAT THAT COSTS, AND WHAT TO DO")
	for _, do := range order {
		for _, s := range groups[do] {
			text := s.Costs
			if len(s.Blind) > 6 {
				text += fmt.Sprintf("; blind: %d alarms, most of those for cutting", len(s.Blind))
			} else if len(s.Blind) > 0 {
				text += "; blind: " + strings.Join(s.Blind, ", ")
			}
			if len(s.Worse) > 0 {
				text += "; worse: " + strings.Join(s.Worse, ", ")
			}
			w.wrap(fmt.Sprintf("  %-18s ", s.id.Info().Words), text)
		}
		w.wrap("     -> ", do)
	}
}

func (r *Report) writeAlarms(w *writer) {
	w.head("ALARMS AND FEED RATE")
	for _, a := range r.Alarms {
		lead := fmt.Sprintf("  %-24s ", a.Kind)
		switch {
		case a.Own:
			w.wrap(lead, "yes: it is of chaffinch's own health")
		case !a.Possible:
			w.wrap(lead, "no: it needs "+strings.Join(a.Missing, ", and "))
		case len(a.Worse) > 0:
			w.wrap(lead, "yes, but "+strings.Join(a.Worse, "; "))
		case a.Note != "":
			w.wrap(lead, "yes; "+a.Note)
		default:
			w.wrap(lead, "yes")
		}
	}
	r.Cutting.write(w, r.Cutting.What)
	for _, f := range r.Feed {
		f.write(w, "feed, by "+f.What)
	}
}

func (a *Ability) write(w *writer, name string) {
	lead := fmt.Sprintf("  %-24s ", name)
	switch {
	case !a.Possible:
		w.wrap(lead, "no: it needs "+strings.Join(a.Missing, ", and "))
	case a.Note != "":
		w.wrap(lead, "yes; "+a.Note)
	default:
		w.wrap(lead, "yes")
	}
}

func (r *Report) writeFaults(w *writer) {
	w.head("FAULT CODES")
	switch {
	case r.Reporters == 0:
		w.line("  no node reports faults (DM1)")
	case len(r.Faults) == 0:
		w.line("  none; %s that there is none", count(r.Reporters, "node reports", "nodes report"))
	}
	for i, f := range r.Faults {
		if w.cut(i, len(r.Faults)) {
			break
		}
		text := f.Words
		if f.Lamp != "" {
			text += "; " + f.Lamp + " lamp"
		}
		if f.Count > 0 {
			text += fmt.Sprintf("; %s", count(int(f.Count), "time", "times"))
		}
		w.wrap(fmt.Sprintf("  %s %02X SPN %d FMI %d: ", f.Interface, f.Address, f.SPN, f.FMI), text)
	}
}

func (r *Report) writeNodes(w *writer) {
	w.head("NODES (address, share of the traffic)")
	for i, n := range r.Nodes {
		if w.cut(i, len(r.Nodes)) {
			break
		}
		text := n.Words
		if n.Name != "" && w.all {
			text += fmt.Sprintf("; NAME %s, maker code %d", n.Name, n.Parts.Manufacturer)
		}
		w.wrap(fmt.Sprintf("  %-5s %02X %5.1f %%  ", n.Interface, n.Address, n.SharePct), text)
	}
	for i, m := range r.Moves {
		if w.cut(i, len(r.Moves)) {
			break
		}
		to := fmt.Sprintf("moved to %02X", m.To)
		if m.To >= 254 {
			to = "lost it"
		}
		w.wrap("  moved: ", fmt.Sprintf("%s was at %02X on %s and %s", m.Name, m.From, m.Interface, to))
	}
}

func (r *Report) writeMessages(w *writer) {
	w.head("MESSAGES (mean rate; median interval, 95 % within; bytes)")
	whole := map[string]bool{} // fast packets are shown whole
	key := func(m Message) string { return fmt.Sprint(m.Interface, m.Address, m.PGN) }
	for _, m := range r.Messages {
		if m.Whole {
			whole[key(m)] = true
		}
	}
	shown := slices.DeleteFunc(slices.Clone(r.Messages), func(m Message) bool {
		return !m.Whole && m.PGN > 1<<16 && whole[key(m)]
	})
	bus := func(name string) string { return "" }
	if len(r.Interfaces) > 1 {
		bus = func(name string) string { return fmt.Sprintf("%-5s ", name) }
	}
	w.line("  %sfrom  PGN   count     /s     ms     ± bytes  what", bus("bus"))
	for i, m := range shown {
		if w.cut(i, len(shown)) {
			break
		}
		bytes := fmt.Sprint(m.LongestB)
		if m.ShortestB != m.LongestB {
			bytes = fmt.Sprintf("%d-%d", m.ShortestB, m.LongestB)
		}
		w.line("%s", short(fmt.Sprintf("  %s%02X %6d %7d %6.1f %6.0f %5.0f %5s  %s",
			bus(m.Interface), m.Address, m.PGN, m.Count, m.RateHz, m.PeriodMs, m.JitterMs, bytes, m.Words)))
	}
	if len(r.Transport) > 0 {
		w.line("  messages in several frames:")
	}
	for _, t := range r.Transport {
		w.wrap(fmt.Sprintf("    %-11s ", t.Kind), fmt.Sprintf("%d complete, %d aborted, %d incomplete; %d packets of no message, %d packets twice",
			t.Complete, t.Aborted, t.Lost, t.Orphans, t.Repeats))
	}
}

// writeTasks tells what task controller and implements say to each other.
func (r *Report) writeTasks(w *writer) {
	if len(r.Pools)+len(r.Values) == 0 {
		return
	}
	w.head("PROCESS DATA")
	for _, p := range r.Pools {
		w.wrap("  described itself: ", fmt.Sprintf("%02X on %s, %q, version %q, %d values that can be asked for", p.Address, p.Interface, p.Designator, p.Version, len(p.DDIs)))
		for i, e := range p.Elements {
			if w.cut(i, len(p.Elements)) {
				break
			}
			w.line("%s", short(fmt.Sprintf("    element %d: %s %q", e.Number, e.Type, e.Designator)))
		}
	}
	for i, v := range r.Values {
		if w.cut(i, len(r.Values)) {
			break
		}
		w.line("%s", short(fmt.Sprintf("  %-5s %02X element %2d DDI %5d %6d times  %s", v.Interface, v.Address, v.Element, v.DDI, v.Count, v.Words)))
	}
}
