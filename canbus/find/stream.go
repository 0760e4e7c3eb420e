package find

import (
	"math/bits"
	"slices"

	"chaffinch/canbus/j1939"
)

// message names what is sent under one identifier, whatever its priority.
type message struct {
	face uint8
	wide bool
	id   uint32 // without priority
}

func (m message) compare(o message) int {
	if m.face != o.face {
		return int(m.face) - int(o.face)
	}
	if m.wide != o.wide {
		if o.wide {
			return -1
		}
		return 1
	}
	return int(int64(m.id) - int64(o.id))
}

// carrier tells whether frames with this 29-bit identifier are parts of longer
// messages or manage the network: no map can point at their content.
func carrier(id uint32) bool {
	p, ok := j1939.ParseID(id)
	if !ok {
		return true
	}
	switch p.PGN {
	case j1939.TransportConnection, j1939.TransportData, extendedConnection, extendedData, j1939.AddressClaimed, j1939.Request:
		return true
	}
	return j1939.FastPacketPGN(p.PGN)
}

const (
	extendedConnection j1939.PGN = 51200
	extendedData       j1939.PGN = 50944
)

// sample is the data of one frame.
type sample struct {
	stamp int64
	data  uint64
	burst int32
}

// selector is a field whose value tells which layout a frame has.
type selector struct {
	low, length uint8 // little-endian
}

func (s selector) of(data uint64) uint64 { return data >> s.low & (1<<s.length - 1) }

func (s selector) mask() uint64 { return (1<<s.length - 1) << s.low }

// stream is the frames of one message, or those of one of its layouts.
type stream struct {
	message
	bytes    uint8 // of the shortest frame
	selected bool
	selector selector
	value    uint64 // of the selector
	around   [][]sample
	history  []sample
	varying  uint64 // bits that change in what is kept
	// history[i] and history[i+1] are neighbours in time, and where there are
	// enough such, history[i-1] and history[i] too.
	pairs []int
	third bool
}

// streams sorts records by message, and the messages with several layouts by
// layout. The order does not depend on chance.
func (c *Collector) streams() []*stream {
	index := map[message]*stream{}
	get := func(r *record) *stream {
		id := r.id
		if r.wide {
			id &= 1<<26 - 1
		}
		m := message{r.face, r.wide, id}
		s := index[m]
		if s == nil {
			s = &stream{message: m, bytes: r.bytes, around: make([][]sample, len(c.windows))}
			index[m] = s
		}
		s.bytes = min(s.bytes, r.bytes)
		return s
	}
	for w := range c.windows {
		for i := range c.windows[w].records {
			r := &c.windows[w].records[i]
			s := get(r)
			s.around[w] = append(s.around[w], sample{r.stamp, r.data, 0})
		}
	}
	for b := range c.bursts {
		for i := range c.bursts[b].records {
			r := &c.bursts[b].records[i]
			s := get(r)
			s.history = append(s.history, sample{r.stamp, r.data, int32(b)})
		}
	}
	all := make([]*stream, 0, len(index))
	for _, s := range index {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b *stream) int { return a.compare(b.message) })
	var out []*stream
	for _, s := range all {
		out = append(out, s)
		if sel, ok := s.findSelector(); ok {
			out = append(out, s.split(sel)...)
		}
	}
	for _, s := range out {
		s.finish()
	}
	return out
}

// finish works out which bits vary and which samples are neighbours.
func (s *stream) finish() {
	var first uint64
	seen := false
	note := func(list []sample) {
		for i := range list {
			if !seen {
				first, seen = list[i].data, true
			}
			s.varying |= list[i].data ^ first
		}
	}
	for _, w := range s.around {
		note(w)
	}
	note(s.history)
	if s.bytes < 8 {
		s.varying &= 1<<(8*s.bytes) - 1
	}
	s.pairs = neighbours(s.history)
	var triples []int
	for i := 1; i < len(s.pairs); i++ {
		if s.pairs[i] == s.pairs[i-1]+1 {
			triples = append(triples, s.pairs[i])
		}
	}
	if len(triples) >= fewestTriples && len(triples)*2 >= len(s.pairs) {
		s.pairs, s.third = triples, true
	}
}

const fewestTriples = 12

// neighbours lists the samples that are followed by another after no more than
// about the usual time: not across the gaps between bursts, unless the message
// is so slow that all its samples are in bursts of their own.
func neighbours(h []sample) []int {
	if len(h) < 2 {
		return nil
	}
	gaps := make([]int64, 0, len(h)-1)
	for i := 1; i < len(h); i++ {
		gaps = append(gaps, h[i].stamp-h[i-1].stamp)
	}
	sorted := slices.Clone(gaps)
	slices.Sort(sorted)
	longest := 3 * sorted[len(sorted)/2]
	var out []int
	for i, g := range gaps {
		if g >= 0 && g <= longest {
			out = append(out, i)
		}
	}
	return out
}

const (
	mostLayouts    = 64
	fewestSamples  = 24
	processSelect  = 32 // bits of process data that tell what the value is
	calmerByLayout = 0.75
)

// findSelector looks for the byte or half byte that tells layouts apart: with
// few values, changing often, and such that frames of the same value are much
// more alike than neighbouring frames are.
func (s *stream) findSelector() (selector, bool) {
	if s.wide && j1939.PGN(s.id>>8&0x3FF00) == j1939.ProcessData {
		return selector{0, processSelect}, true // command, element, DDI: ISO 11783-10
	}
	if len(s.history) < fewestSamples || s.bytes < 2 {
		return selector{}, false
	}
	best, calm := selector{}, calmerByLayout
	for b := range s.bytes {
		for _, sel := range []selector{{8 * b, 8}, {8 * b, 4}, {8*b + 4, 4}} {
			if sel.length == 8 || best.length != 8 || best.low/8 != b {
				if ratio, ok := s.calmer(sel); ok && ratio < calm-0.01 {
					best, calm = sel, ratio
				}
			}
		}
	}
	return best, best.length > 0
}

// calmer is how many bits change between frames of the same selector value,
// per bit that changes between neighbours in time.
func (s *stream) calmer(sel selector) (ratio float64, ok bool) {
	last := map[uint64]sample{}
	var all, same, allN, sameN, changes int
	rest := ^sel.mask()
	for i, h := range s.history {
		v := sel.of(h.data)
		if i > 0 && s.history[i-1].burst+1 >= h.burst {
			all += bits.OnesCount64((h.data ^ s.history[i-1].data) & rest)
			allN++
			if sel.of(s.history[i-1].data) != v {
				changes++
			}
		}
		if l, seen := last[v]; seen && l.burst+1 >= h.burst {
			same += bits.OnesCount64((h.data ^ l.data) & rest)
			sameN++
		}
		last[v] = h
		if len(last) > mostLayouts {
			return 0, false
		}
	}
	if len(last) < 2 || allN < fewestSamples/2 || sameN < fewestSamples/2 || all == 0 || changes*3 < allN {
		return 0, false
	}
	return float64(same) / float64(sameN) * float64(allN) / float64(all), true
}

// split makes a stream of each layout.
func (s *stream) split(sel selector) []*stream {
	parts := map[uint64]*stream{}
	get := func(data uint64) *stream {
		v := sel.of(data)
		p := parts[v]
		if p == nil {
			p = &stream{message: s.message, bytes: s.bytes, selected: true, selector: sel, value: v, around: make([][]sample, len(s.around))}
			parts[v] = p
		}
		return p
	}
	for w := range s.around {
		for _, x := range s.around[w] {
			p := get(x.data)
			p.around[w] = append(p.around[w], x)
		}
	}
	for _, x := range s.history {
		p := get(x.data)
		p.history = append(p.history, x)
	}
	out := make([]*stream, 0, len(parts))
	for _, p := range parts {
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b *stream) int {
		if a.value < b.value {
			return -1
		}
		return 1
	})
	return out
}
