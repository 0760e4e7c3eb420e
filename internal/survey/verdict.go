package survey

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

const (
	eec1          j1939.PGN = 61444
	hitchFront    j1939.PGN = 65094
	position      j1939.PGN = 129025
	vehicleSpeed  j1939.PGN = 65265
	selectedSpeed j1939.PGN = 61474
)

func nameHex(n j1939.Name) string { return fmt.Sprintf("%016X", uint64(n)) }

// nameWords says what a NAME says.
func nameWords(n j1939.Name) string {
	parts := []string{n.FunctionWords()}
	if parts[0] == "" {
		parts[0] = fmt.Sprintf("function %d", n.Function())
	}
	if c := n.ClassWords(); c != "" && c != "non-specific" {
		parts = append(parts, c)
	}
	if g := n.GroupWords(); g != "" && n.Group() != 0 {
		parts = append(parts, g)
	}
	return strings.Join(parts, ", ")
}

// guess says what can be said of a node that has not claimed its address.
func (s *Survey) guess(k node) string {
	switch {
	case k.Address == j1939.NullAddress:
		return "no address of its own"
	case s.controllers[k]:
		return "no claim heard; a task controller by its status"
	case s.sends(k, eec1):
		return "no claim heard; an engine by its messages"
	case s.sends(k, position):
		return "no claim heard; a GNSS receiver by its messages"
	case s.sends(k, hitchFront), s.sends(k, selectedSpeed):
		return "no claim heard; a tractor ECU by its messages"
	case s.sends(k, vehicleSpeed):
		return "no claim heard; tells a vehicle speed"
	}
	return "no claim heard"
}

// pgnWords names a parameter group.
func pgnWords(p j1939.PGN) string {
	if m := j1939.Lookup(p); m != nil {
		return m.Name
	}
	switch {
	case p == j1939.Request:
		return "request"
	case p == j1939.AddressClaimed:
		return "address claim"
	case p == j1939.TransportConnection, p == j1939.TransportData:
		return "transport"
	case p == j1939.ProcessData:
		return "process data"
	case p == 65226:
		return "active fault codes (DM1)"
	case p.Proprietary():
		return "maker's own"
	case j1939.FastPacketPGN(p):
		return "NMEA 2000, in several frames"
	case p >= 126208:
		return "NMEA 2000"
	}
	return ""
}

// verdict is what a technician wants to know first.
func (s *Survey) verdict(r *Report) []string {
	var v []string
	say := func(format string, args ...any) { v = append(v, fmt.Sprintf(format, args...)) }
	claimed := 0
	classes := map[string]int{}
	for k := range s.nodes {
		if n, ok := s.core.Name(k.Interface, k.Address); ok {
			claimed++
			what := n.ClassWords()
			if what == "" || what == "non-specific" {
				what = n.GroupWords()
			}
			if what != "" && n.Group() != 0 {
				classes[what]++
			}
		}
	}
	switch {
	case len(s.nodes) == 0:
		say("Nothing that speaks J1939 or ISO 11783 was heard.")
	case claimed == 0:
		say("%s, none of which said its name: names are said at key-on.", count(len(s.nodes), "node"))
	default:
		say("%s; %d told what they are%s.", count(len(s.nodes), "node"), claimed, mostly(classes))
	}
	s.sayEngine(r, say)
	if m := s.farthest(); m >= 1 {
		say("By its own counter it drove %.0f m.", m)
	}
	s.sayWork(r, say)
	var can, cannot []string
	for _, a := range r.Alarms {
		if a.Possible {
			can = append(can, a.Kind)
		} else {
			cannot = append(cannot, fmt.Sprintf("%s (no %s)", a.Kind, strings.Join(a.Missing, ", no ")))
		}
	}
	if len(can) > 0 {
		say("Chaffinch could watch for: %s.", strings.Join(can, ", "))
	}
	if len(cannot) > 0 {
		say("It would be blind for: %s.", strings.Join(cannot, "; "))
	}
	return v
}

// farthest is the longest way that any counter tells, in metres.
func (s *Survey) farthest() float64 {
	way := 0.0
	for _, d := range s.driven {
		way = max(way, d.Metres())
	}
	return way
}

func (s *Survey) sayEngine(r *Report, say func(string, ...any)) {
	speed := r.Signals[signal.EngineSpeed.ID]
	switch {
	case speed.State == "missing":
		say("No engine is heard.")
	case len(speed.Ways) > 0 && speed.Ways[0].Good == 0:
		say("An engine controller is there, but its speed is %q.", speed.State)
	case s.engine.running:
		say("The engine runs, %.0f to %.0f rpm.", speed.Ways[0].Lowest, speed.Ways[0].Highest)
	case s.engine.known:
		say("The engine stands.")
	default:
		say("Whether the engine runs is not clear.")
	}
}

func (s *Survey) sayWork(r *Report, say func(string, ...any)) {
	heard := func(id signal.ID) bool { return r.Signals[id].State == "heard" }
	var crop []string
	for _, id := range []signal.ID{signal.RotorSpeed.ID, signal.HeaderWorking.ID, signal.GrainFlow.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.Returns.ID} {
		if heard(id) {
			crop = append(crop, id.Info().Words)
		}
	}
	switch {
	case len(crop) > 0:
		say("It tells of threshing and crop: %s.", strings.Join(crop, ", "))
	case len(s.controllers) == 0:
		say("Nothing tells of threshing or crop, and no task controller asks for it: a harvester without one keeps that in its maker's own frames.")
	default:
		say("A task controller is there, but nothing tells of threshing or crop.")
	}
	own := int64(0)
	for _, m := range r.Messages {
		if m.Words == "maker's own" {
			own += m.Count
		}
	}
	if own > 0 && r.Frames > 0 {
		say("%.0f %% of the frames are makers' own: chaffinch find can look there.", 100*float64(own)/float64(r.Frames))
	}
	if r.Frames > 0 && r.Standard == r.Frames {
		say("All frames have 11 bits: this is no J1939 bus.")
	}
}

// mostly names the classes of nodes, the most common first.
func mostly(classes map[string]int) string {
	if len(classes) == 0 {
		return ""
	}
	var names []string
	for c := range classes {
		names = append(names, c)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(classes[b]-classes[a], strings.Compare(a, b)) })
	return " (" + strings.Join(names[:min(3, len(names))], ", ") + ")"
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
