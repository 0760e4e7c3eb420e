package find

import (
	"math"
	"runtime"
	"slices"
	"sync"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// How a hypothesis is weighed.
const (
	mostCandidates = 600  // that are looked at closely
	priorPresent   = 0.5  // that the signal is on the bus at all, as a plain number
	lessStandard   = -7.0 // the standard says that the field is something else; natural logarithm
	lessPartner    = -4.0 // the field goes with the partner so exactly that it may be the partner
	tooClose       = 0.998
	// A difference of one bit in the description of a sample is worth this many
	// natural units in the choice among nested fields.
	perBit     = 15
	fullPair   = 0.2   // and at most so much of what the samples really say
	sameSeries = 0.995 // correlation above which two fields tell the same
)

// candidate is a field with its line and what speaks for it.
type candidate struct {
	field
	law
	shape
	structure float64 // how much like one number its bits look; natural logarithm
	below     float64 // of that, what the bit below it says
	cut       float64 // what is left of that when whole fields are compared
	odds      float64 // natural logarithm, all that speaks for it but its place among all fields
	partner   float64 // correlation with the signal's partner
	known     string  // what a standard says that the field is
	family    int
}

// tried is the fields that were tried. Their weight is the sum of what is
// expected of each before any reading: about the number of true fields, times
// some constant.
type tried struct {
	fields int
	weight float64
}

// search does the search itself.
func (c *Collector) search(d *display, id signal.ID) (found []candidate, t tried, streams []*stream) {
	streams = c.streams()
	parts := make([][]candidate, len(streams))
	counts := make([]tried, len(streams))
	var wait sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wait.Go(func() {
			for i := range next {
				parts[i], counts[i] = d.searchStream(streams[i], id)
			}
		})
	}
	for i := range streams {
		next <- i
	}
	close(next)
	wait.Wait()
	for i := range parts {
		found = append(found, parts[i]...)
		t.fields += counts[i].fields
		t.weight += counts[i].weight
	}
	slices.SortStableFunc(found, func(a, b candidate) int {
		return descending(a.law.score+a.structure, b.law.score+b.structure)
	})
	found = found[:min(len(found), mostCandidates)]
	return found, t, streams
}

func descending(a, b float64) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

// unlikely is the structure below which no more work is spent on a field.
const unlikely = -4.5

// moved tells whether the field moved much around the readings.
func (d *display) moved(spans []span, l line) bool {
	for _, s := range spans {
		if math.Abs(l.scale)*(s.high-s.low) > 3*d.slack(l.scale) {
			return true
		}
	}
	return false
}

// hopeless is the score below which a field is not kept.
const hopeless = -1.0

func (d *display) searchStream(s *stream, id signal.ID) (found []candidate, t tried) {
	present := 0
	for _, w := range s.around {
		if len(w) > 0 {
			present++
		}
	}
	if present < FewestReadings || present < len(s.around)-1 {
		return nil, t
	}
	lively := [2]liveliness{s.liveliness(0), s.liveliness(1)}
	moments := [2][]moment{s.moments(d, 0), s.moments(d, 1)}
	spans := make([]span, len(s.around))
	at := make([]float64, len(s.around))
	weight := make([]float64, len(s.around))
	s.cores(func(f field) {
		f.spans(moments[f.order], spans)
		below, rest := lively[f.order].structure(f.low, f.high)
		structure := below + rest
		// Without a negative value near the readings, the field with a sign and
		// the one without are one to them.
		if !f.signed || !spansAbove(spans) {
			t.fields++
			t.weight += math.Exp(structure)
		}
		l, ok := d.fit(spans, at, weight)
		if !ok {
			return
		}
		if structure > unlikely && d.moved(spans, l) {
			l = d.polish(&f, moments[f.order], l)
			for i, s := range spans {
				if s.present {
					at[i] = min(max((d.values[i]-l.offset)/l.scale, s.low), s.high)
				}
			}
		}
		g, w := d.judge(f, moments[f.order], at, spans, l, id)
		if w.score > hopeless {
			found = append(found, candidate{field: g, law: w, structure: structure, below: below, cut: lively[f.order].cut(f.low)})
		}
	})
	return found, t
}

func spansAbove(spans []span) bool {
	for _, s := range spans {
		if s.present && s.low < 0 {
			return false
		}
	}
	return true
}

// weigh adds what the whole log says to the candidates and puts them in order,
// families of nested fields together.
func (c *Collector) weigh(found []candidate, streams []*stream, id signal.ID) {
	partner := partner(streams, len(c.bursts), id)
	for i := range found {
		k := &found[i]
		k.shape = k.field.shape(k.line, len(c.bursts), id)
		k.odds = k.law.score + k.structure + k.shape.score()
		if partner != nil {
			k.partner = correlation(k.series, partner)
			k.odds += min(1, max(-0.5, 2*(k.partner-0.2)))
			if k.partner > tooClose && id != signal.EngineSpeed.ID {
				k.odds += lessPartner
			}
		}
		if k.known = knownField(&k.field, id); k.known != "" {
			k.odds += lessStandard
		}
	}
	slices.SortStableFunc(found, func(a, b candidate) int { return descending(a.odds, b.odds) })
	families := families(found)
	for _, members := range families {
		nest(found, members)
	}
	slices.SortStableFunc(found, func(a, b candidate) int { return descending(a.odds, b.odds) })
}

// families gives the candidates that tell the same in the same place one
// number, and returns them by number.
func families(found []candidate) [][]int {
	var out [][]int
	for i := range found {
		found[i].family = -1
		for n, members := range out {
			head := &found[members[0]]
			if k := &found[i]; k.stream == head.stream && k.bits()&head.bits() != 0 &&
				(alike(k, head) || k.bits() == head.bits()) {
				found[i].family = n
				out[n] = append(out[n], i)
				break
			}
		}
		if found[i].family < 0 {
			found[i].family = len(out)
			out = append(out, []int{i})
		}
	}
	return out
}

// alike tells whether two candidates say the same all along.
func alike(a, b *candidate) bool { return correlation(a.series, b.series) > sameSeries }

// nest weighs the members of a family against each other by how well they
// describe the log: the odds of the best stay, those of the others fall.
func nest(found []candidate, members []int) {
	head := &found[members[0]]
	if len(members) < 2 || len(head.pairs) < 8 {
		return
	}
	d := newDescriber(head.stream)
	best := math.Inf(-1)
	top := math.Inf(-1)
	scores := make([]float64, len(members))
	weight := min(perBit, fullPair*math.Ln2*float64(len(d.pairs)))
	for i, m := range members {
		k := &found[m]
		scores[i] = k.odds - k.below + k.cut - weight*d.total(&k.field)
		best = max(best, scores[i])
		top = max(top, k.odds)
	}
	for i, m := range members {
		found[m].odds = top + scores[i] - best
	}
}

// knownField is what SAE J1939-71 and its kin say that the field carries, if
// that is another signal.
func knownField(f *field, id signal.ID) string {
	if !f.wide || f.selected {
		return ""
	}
	p, ok := j1939.ParseID(f.id)
	if !ok {
		return ""
	}
	m := j1939.Lookup(p.PGN)
	if m == nil {
		return ""
	}
	for i := range m.Fields {
		k := &m.Fields[i]
		if k.Name == id.Info().Words {
			continue
		}
		for bit := f.low; bit <= f.high; bit++ {
			at := int(bit)
			if f.order != 0 {
				at = (7-int(bit)/8)*8 + int(bit)%8
			}
			if at >= int(k.Start) && at < int(k.Start)+int(k.Bits) {
				return k.Name
			}
		}
	}
	return ""
}
