package survey

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// The states of a signal.
const (
	isHeard    = "heard"
	isSilent   = "silent" // it had a value, and nothing of it came at the end
	isMissing  = "missing"
	stillHeard = 5 * time.Second // a value of this age is one
)

func (b *builder) signals() []Signal {
	b.r.Signals = make([]Signal, signal.Count)
	for id := range signal.ID(signal.Count) {
		info := id.Info()
		b.r.Signals[id] = Signal{Name: info.Name, Unit: info.Unit, DifferBy: b.differ[id], id: id}
		b.addWays(&b.r.Signals[id])
	}
	newest := make([]*heard, signal.Count)
	for id := range newest {
		newest[id] = b.judge(&b.r.Signals[id])
	}
	for _, n := range signalNeeds {
		out := &b.r.Signals[n.id]
		if out.State != isHeard {
			out.Costs = n.costs
			out.Blind, out.Worse = b.alarmsWithout(n.id)
			out.FeedRoutes = feedRoutesOf(n.id)
			out.Do = b.whatToDo(out, newest[n.id], n.do)
		}
	}
	return b.r.Signals
}

func (b *builder) addWays(out *Signal) {
	for k, v := range b.Survey.signals {
		if k.id != out.id {
			continue
		}
		out.Ways = append(out.Ways, Way{Place: b.place(node{k.from.Interface, k.from.Address}), Route: b.core.RouteName(k.from.Route),
			InUse: b.inUse[k.id] == k.from, RateHz: b.rate(v.good + v.other), OnChange: v.onChange,
			Good: v.good, Unusable: v.other, Lowest: v.min, Highest: v.max})
	}
	slices.SortFunc(out.Ways, func(a, b Way) int {
		if a.InUse != b.InUse {
			if a.InUse {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(b.Good, a.Good), strings.Compare(a.Route, b.Route), comparePlaces(a.Place, b.Place))
	})
}

// judge sets the state of a signal and returns the newest way to it.
func (b *builder) judge(out *Signal) *heard {
	var newest *heard
	var last *values
	had, goodAt, alive := false, time.Duration(0), false
	for k, v := range b.Survey.signals {
		if k.id != out.id {
			continue
		}
		if newest == nil || v.at > last.at || v.at == last.at && k.from.Route < newest.from.Route {
			newest, last = &heard{k.id, k.from}, v
		}
		if v.good == 0 {
			continue
		}
		had, goodAt = true, max(goodAt, v.goodAt)
		if t := b.Survey.nodes[node{k.from.Interface, k.from.Address}]; v.onChange && t != nil && v.goodAt == v.at {
			alive = alive || b.lived-t.last <= stillHeard
		}
	}
	switch age := b.lived - goodAt; {
	case newest == nil:
		out.State = isMissing
	case had && (alive || age <= max(stillHeard, out.id.Info().MaxAge)):
		out.State = isHeard
	case had && last.at == goodAt:
		out.State, out.WithoutS = isSilent, age.Seconds()
	case had:
		out.State, out.WithoutS = last.quality.String(), age.Seconds()
	default:
		out.State = last.quality.String()
	}
	return newest
}

// whatToDo for a signal that is not heard.
func (b *builder) whatToDo(out *Signal, newest *heard, r remedy) string {
	if newest != nil {
		return b.mend(out, newest)
	}
	switch r {
	case tapEngineBus:
		return "it is an open message on the engine's or vehicle's bus: connect there as well, or instead"
	case startTask:
		if len(b.controllers) > 0 {
			return "the task controller is here: start a task with recording, and it asks the machine for it; else chaffinch find SIGNAL"
		}
		return "a machine sends it only to a task controller, and none is here: switch on the terminal's task recording; else chaffinch find SIGNAL"
	case addReceiver:
		return "a GNSS receiver on this bus sends it, some only if set to NMEA 2000 output"
	}
	if own := b.makersPct(); own > 0 {
		return fmt.Sprintf("no open message has it. chaffinch find SIGNAL looks for it in the makers' own frames, %.0f %% of all here, and prints its [[map]]", own)
	}
	return "no open message has it, and no maker's own frame is here that could: connect to the bus of the threshing part, then chaffinch find SIGNAL"
}

// mend is what to do where a signal has a sender.
func (b *builder) mend(out *Signal, newest *heard) string {
	from := fmt.Sprintf("%02X", newest.from.Address)
	switch out.State {
	case isSilent:
		t := b.Survey.nodes[node{newest.from.Interface, newest.from.Address}]
		if t != nil && b.lived-t.last > stillHeard {
			return fmt.Sprintf("its sender %s has stopped altogether: look at its plug and supply", from)
		}
		return fmt.Sprintf("its sender %s still speaks of other things: look at the sensor behind it; some send only while they work", from)
	case signal.SensorError.String():
		return fmt.Sprintf("%s says that its sensor is faulty: look at the fault codes, the sensor, the wiring", from)
	case signal.OutOfRange.String():
		return fmt.Sprintf("what %s sends cannot be: look at the sensor, or at the scale of its [[map]]", from)
	}
	if !b.engine.ran {
		return fmt.Sprintf("%s sends the message without a value: often so while the engine is off. Survey again with it running", from)
	}
	return fmt.Sprintf("%s sends the message without a value: this sensor may not be fitted, or not connected", from)
}

// makersPct is the share of the frames whose layout is the maker's own.
func (b *builder) makersPct() float64 {
	own := int64(0)
	for k, f := range b.streams {
		if !k.long && k.pgn.Proprietary() {
			own += f.count
		}
	}
	return 100 * float64(own) / float64(max(b.frames, 1))
}

// makersBusiest is the broadcast group of a maker that comes most often.
func (b *builder) makersBusiest() (Message, bool) {
	for _, m := range b.r.Messages {
		if m.maker && !m.Whole && m.LongestB == 8 && j1939.PGN(m.PGN).Broadcast() && m.Address < j1939.NullAddress && m.PGN < 1<<16 {
			return m, true
		}
	}
	return Message{}, false
}
