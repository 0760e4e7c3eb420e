package survey

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// verdict is what a technician wants to know first: what is this?
func (b *builder) verdict() []string {
	if b.frames == 0 {
		return []string{"Nothing was heard at all. Is the key on? Is the interface at the bus's bit rate? Are both wires connected, and the right way round?"}
	}
	if b.errorFrames == b.frames {
		return []string{"Only error frames came: the bit rate is wrong, or a wire is."}
	}
	if b.standard+b.errorFrames == b.frames {
		return []string{"All frames have 11 bits: this is neither J1939 nor ISO 11783. Look for another connector, or name fields of these frames in [[map]]s."}
	}
	v := []string{b.kind(), b.who()}
	v = append(v, b.engineWords())
	if m := b.farthest(); m >= 1 {
		v = append(v, fmt.Sprintf("By its own counter it drove %.0f m.", m))
	}
	v = append(v, b.cropWords())
	if own := b.makersPct(); own >= 0.5 {
		v = append(v, fmt.Sprintf("%.0f %% of the frames are makers' own: only chaffinch find can look there.", own))
	}
	if n := len(b.r.Faults); n > 0 {
		v = append(v, fmt.Sprintf("%s active.", count(n, "fault code is", "fault codes are")))
	}
	for _, i := range b.r.Interfaces {
		if i.BusiestPct > 100 {
			v = append(v, fmt.Sprintf("%s carries more than %d kbit/s can: its bit rate is higher. Give it with --bitrate.", i.Name, i.BitrateKbit))
		} else if i.LoadPct > 70 {
			v = append(v, fmt.Sprintf("%s is very full if it runs at %d kbit/s; at %d it would be half of that.", i.Name, i.BitrateKbit, 2*i.BitrateKbit))
		}
	}
	if b.r.Dropped > 0 {
		v = append(v, fmt.Sprintf("This computer was too slow for %d frames.", b.r.Dropped))
	}
	return v
}

// cropSignals are those that only a harvester has.
var cropSignals = []signal.ID{
	signal.RotorSpeed.ID, signal.FanSpeed.ID, signal.Concave.ID, signal.UpperSieve.ID, signal.LowerSieve.ID, signal.ThreshingEngaged.ID,
	signal.GrainFlow.ID, signal.GrainMoisture.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.CropLoss.ID,
	signal.Returns.ID, signal.BrokenGrain.ID, signal.Trash.ID, signal.FeederLoad.ID,
}

// roadGroups are sent by road vehicles: brakes, stability, tachograph, wheel
// and steering sensors, cruise control, air supply.
var roadGroups = []j1939.PGN{61441, 61449, 61469, 65132, 65134, 65135, 65198, 65215}

// kind says what machine this is, by NAMEs first and messages then.
func (b *builder) kind() string {
	groups, classes := map[uint8]int{}, map[uint8]int{} // classes of agriculture
	for k := range b.Survey.nodes {
		if n, ok := b.names[k]; ok {
			groups[n.Group()]++
			if n.Group() == 2 {
				classes[n.Class()]++
			}
		}
	}
	const onHighway = 1
	road := 0
	for _, pgn := range roadGroups {
		if len(b.senders(pgn)) > 0 {
			road++
		}
	}
	crop := b.hadValues(cropSignals)
	b.harvester = classes[7] > 0 || len(crop) > 0
	switch {
	case classes[7] > 0 && len(crop) > 0:
		return "This is a combine harvester, as its nodes claim and its values show."
	case classes[7] > 0:
		return "This is a harvester, as its nodes claim."
	case classes[9] > 0:
		return "This is a forage harvester, as its nodes claim: chaffinch is made for combines."
	case classes[8] > 0:
		return "This is a root harvester, as its nodes claim: chaffinch is made for combines."
	case len(crop) > 0:
		return "By its values this is a combine harvester; no node claims to be one."
	case classes[1] > 0:
		return "This is a tractor, as its nodes claim; nothing here is a harvester."
	case groups[marineGroup] > 0:
		return "This is a boat's NMEA 2000 network, as its nodes claim; no harvester."
	case groups[onHighway] > 0, road >= 2:
		return "By its messages this is a road vehicle's bus (brakes, wheels, cruise control); nothing here is a harvester."
	case groups[2] > 0:
		return "This is an agricultural machine, as its nodes claim; which kind they do not say."
	case len(b.senders(j1939.EEC1)) > 0:
		return "This is the bus of an engine (J1939). It does not say of which machine: it may be a harvester's, or any vehicle's."
	}
	return "What machine this is the bus does not say."
}

func (b *builder) who() string {
	claimed := 0
	for k := range b.Survey.nodes {
		if _, ok := b.names[k]; ok {
			claimed++
		}
	}
	speak := count(len(b.Survey.nodes), "node speaks", "nodes speak")
	switch {
	case claimed == 0:
		return speak + ", and none said its name: names are said when the key is turned on, so begin the survey before that."
	case claimed == 1 && len(b.Survey.nodes) == 1:
		return "1 node speaks, and said what it is."
	case claimed == len(b.Survey.nodes):
		return speak + ", and all said what they are."
	}
	return fmt.Sprintf("%s; %s.", speak, count(claimed, "said what it is", "said what they are"))
}

func (b *builder) engineWords() string {
	speed := &b.r.Signals[signal.EngineSpeed.ID]
	lowest, highest := 0.0, 0.0
	if len(speed.Ways) > 0 {
		lowest, highest = speed.Ways[0].Lowest, speed.Ways[0].Highest
	}
	switch {
	case b.engine.ran && b.engine.stood:
		return fmt.Sprintf("The engine was seen standing and running, up to %.0f rpm.", highest)
	case b.engine.ran && speed.State == isMissing:
		return "The engine runs, though nothing tells its speed."
	case b.engine.ran:
		return fmt.Sprintf("The engine runs, %.0f to %.0f rpm.", lowest, highest)
	case b.engine.stood:
		return "The engine stands: what only a working machine sends could not be seen."
	case speed.State == isMissing:
		return "No engine is heard."
	case speed.State != isHeard:
		return fmt.Sprintf("An engine controller is there, but its speed is %q: the engine is probably off.", speed.State)
	}
	return "Whether the engine runs is not clear."
}

// farthest is the longest way that any counter tells, in metres.
func (b *builder) farthest() float64 {
	way := 0.0
	for _, d := range b.driven {
		way = max(way, d.Metres())
	}
	return way
}

// hadValues are those of the signals that had a value.
func (b *builder) hadValues(ids []signal.ID) []string {
	var all []string
	for _, id := range ids {
		if slices.ContainsFunc(b.r.Signals[id].Ways, func(w Way) bool { return w.Good > 0 }) {
			all = append(all, id.Info().Words)
		}
	}
	return all
}

func (b *builder) cropWords() string {
	crop := b.hadValues(cropSignals)
	switch {
	case len(crop) > 4:
		return fmt.Sprintf("It tells %d things of threshing and crop, among them %s.", len(crop), strings.Join(crop[:4], ", "))
	case len(crop) > 0:
		return fmt.Sprintf("Of threshing and crop it tells %s.", strings.Join(crop, ", "))
	case len(b.controllers) == 0:
		return "Nothing tells of threshing or crop, and no task controller is here that would ask for it."
	}
	return "A task controller is here, but nothing tells of threshing or crop."
}

// able says what chaffinch could do there, and what not.
func (b *builder) able() []string {
	var can, worse, reasons, routes, v []string
	blind := map[string][]string{} // by reason
	for _, a := range b.r.Alarms {
		switch {
		case a.Own:
		case !a.Possible:
			why := reason(&a)
			if blind[why] == nil {
				reasons = append(reasons, why)
			}
			blind[why] = append(blind[why], a.Kind)
		case len(a.Worse) > 0:
			worse = append(worse, a.Kind)
		default:
			can = append(can, a.Kind)
		}
	}
	for _, f := range b.r.Feed {
		if f.Possible {
			routes = append(routes, f.What)
		}
	}
	who := "Chaffinch"
	if !b.harvester {
		who = "On a combine whose bus is like this, chaffinch"
	}
	if len(can) > 0 {
		v = append(v, fmt.Sprintf("%s could watch for %s.", who, strings.Join(can, ", ")))
	} else {
		v = append(v, who+" could watch for nothing.")
	}
	if len(worse) > 0 {
		v = append(v, fmt.Sprintf("It could watch less well for %s.", strings.Join(worse, ", ")))
	}
	var cannot []string
	for _, why := range reasons {
		cannot = append(cannot, fmt.Sprintf("%s (%s)", strings.Join(blind[why], ", "), why))
	}
	if len(cannot) > 0 {
		v = append(v, fmt.Sprintf("It would be blind for %s.", strings.Join(cannot, "; ")))
	}
	switch {
	case len(routes) == 0 || len(routes) == 1 && routes[0] == feedRoutes[2].route:
		v = append(v, "It could not tell the feed rate.")
	default:
		v = append(v, fmt.Sprintf("It could tell the feed rate by %s.", strings.Join(routes, ", by ")))
	}
	return v
}

// reason is the first of what an alarm lacks, and of that the usual signal: all
// of it stands in the list of alarms.
func reason(a *Alarm) string {
	first, _, _ := strings.Cut(a.Missing[0], " or ")
	switch {
	case a.Missing[0] == whenItCuts:
		return "nothing tells when it cuts"
	case strings.HasSuffix(a.Kind, "-high"):
		return "nobody sends the level"
	}
	return "no " + first
}

func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
