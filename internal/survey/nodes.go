package survey

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/detect/machine"
)

// builder makes a report of what was counted.
type builder struct {
	*Survey
	interfaces []string
	r          *Report
	harvester  bool // it claims to be one, or shows it
}

func (b *builder) place(k node) Place {
	if int(k.Interface) < len(b.interfaces) {
		return Place{b.interfaces[k.Interface], k.Address}
	}
	return Place{"?", k.Address}
}

func comparePlaces(a, b Place) int {
	return cmp.Or(strings.Compare(a.Interface, b.Interface), cmp.Compare(a.Address, b.Address))
}

// rate is a count a second, of the time of listening.
func (b *builder) rate(count int64) float64 { return float64(count) / max(b.lived.Seconds(), 1) }

func (b *builder) loads() []Interface {
	all := []Interface{}
	bitrate := float64(b.cfg.Bus.Bitrate)
	for i, name := range b.interfaces {
		if l := b.Survey.loads[uint8(i)]; l != nil {
			all = append(all, Interface{name, l.frames, b.cfg.Bus.Bitrate / 1000,
				100 * b.rate(l.bits) / bitrate, 100 * float64(l.busiest) / bitrate})
		}
	}
	return all
}

func (b *builder) nodes() []Node {
	total := map[uint8]int64{}
	for k, t := range b.Survey.nodes {
		total[k.Interface] += t.bits
	}
	all := []Node{}
	for k, t := range b.Survey.nodes {
		n := Node{Place: b.place(k), Frames: t.frames, SharePct: 100 * float64(t.bits) / float64(max(total[k.Interface], 1))}
		if name, ok := b.names[k]; ok {
			n.Name, n.Words = nameHex(name), nameWords(name)
			n.Parts = &Parts{name.Group(), name.Class(), name.ClassInstance(), name.Function(), name.FunctionInstance(),
				name.ECUInstance(), name.Manufacturer(), name.Identity()}
		} else {
			n.Words = b.guess(k)
		}
		all = append(all, n)
	}
	slices.SortFunc(all, func(a, b Node) int { return comparePlaces(a.Place, b.Place) })
	return all
}

func (b *builder) moves() []Move {
	all := []Move{}
	for _, c := range b.Survey.moves {
		all = append(all, Move{b.place(node{c.Interface, 0}).Interface, nameHex(c.Name), c.From, c.To, c.Commanded})
	}
	return all
}

func (b *builder) messages() []Message {
	all := []Message{}
	for k, f := range b.streams {
		m := Message{Place: b.place(k.node), PGN: uint32(k.pgn), Words: groupWords(k.pgn), Whole: k.long,
			ShortestB: f.shortest, LongestB: f.bytes, Count: f.count, RateHz: b.rate(f.count), maker: k.pgn.Proprietary()}
		m.PeriodMs, m.JitterMs = f.rhythm()
		all = append(all, m)
	}
	slices.SortFunc(all, func(a, b Message) int {
		whole := func(m Message) int {
			if m.Whole {
				return 1
			}
			return 0
		}
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.PGN, b.PGN), comparePlaces(a.Place, b.Place), whole(a)-whole(b))
	})
	return all
}

func (b *builder) transport() []Transport {
	all := []Transport{}
	for k, c := range b.core.Transport() {
		if c.Started+c.Orphans+c.Refused > 0 {
			all = append(all, Transport{j1939.Kind(k).String(), c.Complete, c.Aborted, c.TimedOut + c.Dropped, c.Orphans, c.Repeats})
		}
	}
	return all
}

func (b *builder) faults() []Fault {
	all := []Fault{}
	for k, a := range b.Survey.faults {
		all = append(all, Fault{b.place(k.node), k.spn, k.fmi, a.count, lampWords[a.lamp], codeWords(k.spn, k.fmi)})
	}
	slices.SortFunc(all, func(a, b Fault) int {
		return cmp.Or(comparePlaces(a.Place, b.Place), cmp.Compare(a.SPN, b.SPN), cmp.Compare(a.FMI, b.FMI))
	})
	return all
}

var lampWords = [...]string{
	machine.NoLamp: "", machine.ProtectLamp: "protect", machine.MalfunctionLamp: "malfunction",
	machine.WarningLamp: "warning", machine.StopLamp: "stop",
}

func codeWords(spn uint32, fmi uint8) string {
	what := j1939.SPNWords(spn)
	if what == "" {
		what = "not in the list of common ones"
	}
	return what + ": " + j1939.FMIWords(fmi)
}

// senders are the nodes that send a group.
func (b *builder) senders(pgn j1939.PGN) []Place {
	all := []Place{}
	for k := range b.Survey.nodes {
		if b.sends(k, pgn) {
			all = append(all, b.place(k))
		}
	}
	slices.SortFunc(all, comparePlaces)
	return all
}

func (b *builder) reporters() int { return len(b.senders(j1939.DM1)) }

func (b *builder) pools() []Pool {
	all := []Pool{}
	for k, p := range b.Survey.pools {
		out := Pool{Place: b.place(k), Elements: []Element{}, DDIs: []uint16{}}
		if len(p.Devices) > 0 {
			d := &p.Devices[0]
			out.Designator, out.Version, out.Serial = printable(d.Designator), printable(d.Version), printable(d.Serial)
			out.Name = nameHex(d.Name)
		}
		for _, e := range p.Elements {
			out.Elements = append(out.Elements, Element{e.Number, e.Type.String(), printable(e.Designator)})
		}
		for _, d := range p.ProcessData {
			out.DDIs = append(out.DDIs, d.DDI)
		}
		slices.Sort(out.DDIs)
		out.DDIs = slices.Compact(out.DDIs)
		all = append(all, out)
	}
	slices.SortFunc(all, func(a, b Pool) int { return comparePlaces(a.Place, b.Place) })
	return all
}

func (b *builder) values() []Value {
	all := []Value{}
	for k, v := range b.measured {
		all = append(all, Value{b.place(k.node), k.element, k.ddi, ddiWords(k.ddi), v.count, v.min, v.max})
	}
	slices.SortFunc(all, func(a, b Value) int {
		return cmp.Or(comparePlaces(a.Place, b.Place), cmp.Compare(a.DDI, b.DDI), cmp.Compare(a.Element, b.Element))
	})
	return all
}

func ddiWords(ddi uint16) string {
	if e, ok := processdata.Lookup(ddi); ok {
		return e.Name
	}
	if processdata.Proprietary(ddi) {
		return "maker's own"
	}
	return "not used here"
}

func (b *builder) tasks() []Place {
	all := []Place{}
	for k := range b.controllers {
		all = append(all, b.place(k))
	}
	slices.SortFunc(all, comparePlaces)
	return all
}

func (b *builder) clock() *Clock {
	c := b.core.BusClock()
	if !c.Known {
		return nil
	}
	return &Clock{c.UTC.UTC().Format(time.RFC3339), uint32(c.PGN), b.senders(c.PGN)}
}
