package find

import (
	"math"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/decode"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Verdict is the outcome in a word.
type Verdict string

const (
	Found     Verdict = "found"     // the first candidate is the signal
	Ambiguous Verdict = "ambiguous" // the signal is among the candidates, but more than one is likely
	Unsure    Verdict = "unsure"    // the candidates may fit by chance: more readings are needed
	Nothing   Verdict = "nothing"   // no field follows the readings
)

// A field is claimed only if the readings leave so little doubt.
const (
	mostDoubt  = 0.003 // that the signal is on the bus
	leastShare = 0.9   // of the first candidate, against the others
	// Fields that overlap fit or fail together, so they count for less than one
	// each. By how much was measured on made-up buses without the signal: see
	// TestAbsentSignals and TestThreeReadings.
	together    = 12
	leastNotice = 0.02 // a lesser chance that any candidate is right is called nothing
)

// Result is what a search found.
type Result struct {
	Signal  string   `json:"signal"`
	Unit    string   `json:"unit"`
	Verdict Verdict  `json:"verdict"`
	Step    float64  `json:"step"`      // of the display, as given or as worked out
	Used    []Used   `json:"readings"`  // in order of time
	Frames  int      `json:"frames"`    // that were looked through
	Kinds   int      `json:"messages"`  // different messages among them, and layouts of messages
	Fields  int      `json:"fields"`    // that were tried
	None    float64  `json:"none"`      // probability that none of them is the signal
	Chance  float64  `json:"by_chance"` // how many fields would fit so well by chance
	Best    []Choice `json:"candidates"`
	// More is about how many further readings a clear answer takes; 0 if there
	// is one, or if no reading can help.
	More  int      `json:"more_readings"`
	Next  string   `json:"next_reading,omitempty"` // which reading would help most
	Notes []string `json:"notes,omitempty"`

	series [][]float64
	times  []float64 // of the series, s since the first frame
}

// Used is a reading as it was used.
type Used struct {
	AtS    float64 `json:"at_s"` // since the first frame
	Value  float64 `json:"value"`
	Frames int     `json:"frames"` // that count for it
}

// Choice is a field that may carry the signal.
type Choice struct {
	Probability float64 `json:"probability"`
	Interface   uint8   `json:"interface"` // index into the source's list of names
	ID          uint32  `json:"id"`        // without priority
	PGN         uint32  `json:"pgn,omitempty"`
	Source      int     `json:"source"` // -1 for an 11-bit identifier
	StartBit    int     `json:"start_bit"`
	Length      int     `json:"length"`
	ByteOrder   string  `json:"byte_order"`
	Signed      bool    `json:"signed"`
	Scale       float64 `json:"scale"`
	Offset      float64 `json:"offset"`
	Round       bool    `json:"round"` // scale and offset are round ones
	// Residual is the root mean square of what the readings are off; Worst the
	// largest. Half a step of the display is nothing.
	Residual float64   `json:"residual"`
	Worst    float64   `json:"worst"`
	Says     []float64 `json:"says"` // at the readings
	// Same is how many other messages and fields say the same all along.
	Same    int             `json:"same"`
	Partner float64         `json:"partner,omitempty"` // correlation with engine speed or load, where that is a partner
	Known   string          `json:"known,omitempty"`   // what a standard says that the field is
	Map     decode.MapEntry `json:"-"`
	MapText string          `json:"map"` // ready to paste
}

// Find searches what was collected so far, for the readings that were added
// with Read; the query's own are not used. Live, it is best called a second or
// two after the last reading, when the frames around it are complete. It is not
// for use while another goroutine feeds the Collector.
func (c *Collector) Find(q Query) (*Result, error) {
	c.settle(math.MaxInt64, false)
	r := &Result{Signal: q.Signal.String(), Frames: c.Frames}
	var with []window
	for _, w := range c.windows {
		if len(w.records) > 0 {
			with = append(with, w)
		}
	}
	if n := len(c.windows) - len(with); n > 0 {
		r.note("%d of %d readings are at times without any frame: check the clock and the time zone", n, len(c.windows))
	}
	c.windows = with
	q.Readings = nil
	for _, w := range c.windows {
		q.Readings = append(q.Readings, w.reading)
		r.Used = append(r.Used, Used{float64(w.reading.Stamp-c.First) / 1e9, w.reading.Value, len(w.records)})
	}
	q, err := q.prepare()
	if err != nil {
		return nil, err
	}
	r.Unit, r.Step = q.Signal.Info().Unit, q.Step
	d := newDisplay(q)
	found, t, streams := c.search(&d, q.Signal)
	r.Fields, r.Kinds = t.fields, len(streams)
	c.weigh(found, streams, q.Signal)
	r.conclude(&d, found, t, q)
	for _, b := range c.bursts {
		r.times = append(r.times, float64(b.start-c.First)/1e9)
	}
	return r, nil
}

// group is candidates that say the same, in one message or several.
type group struct {
	head  candidate
	odds  float64
	count int // of families
	share float64
	// other marks another reading of bits that an earlier group has: both say
	// nearly the same, and only one can be right.
	other bool
}

// conclude turns odds into probabilities and a verdict.
func (r *Result) conclude(d *display, found []candidate, t tried, q Query) {
	groups := groupsOf(d, found)
	fields := math.Log(max(1, t.weight/together))
	sum := (1 - priorPresent) / priorPresent
	for i := range groups {
		groups[i].share = math.Exp(min(600, groups[i].odds-fields))
		if !groups[i].other {
			sum += groups[i].share
		}
	}
	r.None = (1 - priorPresent) / priorPresent / sum
	for i := range groups {
		groups[i].share /= sum
	}
	for _, g := range groups[:min(len(groups), q.Best)] {
		r.Best = append(r.Best, g.choice(d, q.Signal))
		r.series = append(r.series, g.head.series)
	}
	r.Chance = t.weight / together * math.Exp(-max(0, r.bestOdds(groups)))
	r.Verdict = r.judge(len(groups), func(i int) float64 { return groups[i].share })
	r.advise(d, groups, q)
}

func (r *Result) bestOdds(groups []group) float64 {
	if len(groups) == 0 {
		return 0
	}
	return groups[0].odds
}

// groupsOf takes one candidate of each family, and joins families that say the
// same. Of the same bits it keeps another reading too, with another highest bit
// or in the other order. The groups come in order of odds.
func groupsOf(d *display, found []candidate) []group {
	type reading struct {
		family int
		order  canbus.ByteOrder
		high   uint8
	}
	var out []group
	family := map[int]int{} // index of its group, or -1 if it was joined
	seen := map[reading]bool{}
next:
	for i := range found {
		k := &found[i]
		r := reading{k.family, k.order, k.high}
		if seen[r] {
			continue
		}
		seen[r] = true
		if n, ok := family[k.family]; ok {
			if n >= 0 && !out[n].head.nests(&k.field) {
				out = append(out, group{head: *k, odds: k.odds, count: 1, other: true})
			}
			continue
		}
		for n := range out {
			if !out[n].other && same(d, k, &out[n].head) {
				// Not more likely for it: a chance fit of one is one of all.
				out[n].count++
				family[k.family] = -1
				continue next
			}
		}
		family[k.family] = len(out)
		out = append(out, group{head: *k, odds: k.odds, count: 1})
	}
	return out
}

// nests tells whether one of two fields lies within the other and shares its
// highest bits or its lowest.
func (f *field) nests(g *field) bool {
	if f.order != g.order && (f.low/8 == f.high/8 || g.low/8 == g.high/8) {
		return f.bits()&g.bits() == f.bits() || f.bits()&g.bits() == g.bits()
	}
	return f.order == g.order && (f.high == g.high || f.low == g.low)
}

// same tells whether two candidates would show the same on the display nearly
// all the time.
func same(d *display, a, b *candidate) bool {
	n, off := 0, 0
	for i := range a.series {
		if x := a.series[i] - b.series[i]; !math.IsNaN(x) {
			n++
			if math.Abs(x) > 2*(d.slack(a.scale)+d.slack(b.scale)) {
				off++
			}
		}
	}
	return n >= 8 && off*20 <= n && correlation(a.series, b.series) > sameSeries
}

func (g *group) choice(d *display, id signal.ID) Choice {
	k := g.head
	k.field, k.law = k.field.roundDown(k.law)
	c := Choice{
		Probability: g.share, Interface: k.face, ID: k.id, Source: -1,
		StartBit: k.start(), Length: int(k.length()), ByteOrder: orderWord(k.order), Signed: k.signed,
		Scale: tidy(k.scale), Offset: tidy(k.offset), Round: k.round, Same: g.count - 1,
		Partner: math.Round(k.partner*1000) / 1000, Known: k.known,
	}
	var sum float64
	moments := k.moments(d, k.order)
	spans := make([]span, len(moments))
	k.spans(moments, spans)
	present := 0
	for i, s := range spans {
		says := 0.0
		if s.present {
			low, high := k.at(s.low), k.at(s.high)
			says = min(max(d.values[i], min(low, high)), max(low, high))
			off := math.Abs(d.values[i] - says)
			sum += off * off
			c.Worst = max(c.Worst, off)
			present++
		}
		c.Says = append(c.Says, tidy(says))
	}
	c.Residual = tidy(math.Sqrt(sum / float64(max(1, present))))
	c.Worst = tidy(c.Worst)
	c.Map = k.entry(c, id)
	if k.wide {
		p, _ := j1939.ParseID(k.id)
		c.PGN, c.Source = uint32(p.PGN), int(p.Source)
	}
	c.MapText = mapText(&c.Map)
	return c
}

func orderWord(o canbus.ByteOrder) string {
	if o == canbus.BigEndian {
		return "big"
	}
	return "little"
}

// tidy rounds to six significant digits: a scale is never known better.
func tidy(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	p := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(x))))
	if math.IsInf(p, 0) || p == 0 {
		return x
	}
	return math.Round(x*p) / p
}

// entry is the map of the configuration for the candidate.
func (k *candidate) entry(c Choice, id signal.ID) decode.MapEntry {
	scale := c.Scale
	m := decode.MapEntry{
		Signal: id.String(), StartBit: int64(c.StartBit), Length: int64(c.Length), ByteOrder: c.ByteOrder,
		Signed: c.Signed, Scale: &scale, Offset: c.Offset,
	}
	p, ok := j1939.ParseID(k.id)
	switch {
	case k.wide && ok && p.PGN.Broadcast() && p.Source < j1939.NullAddress:
		pgn, source := int64(p.PGN), int64(p.Source)
		m.PGN, m.Source = &pgn, &source
	default:
		whole := int64(k.id)
		if k.wide {
			whole = decode.Wide(k.id)
		}
		m.ID = &whole
	}
	if k.selected {
		low, high := int(k.selector.low), int(k.selector.low+k.selector.length-1)
		start := low
		if k.order == canbus.BigEndian {
			low, high = (7-low/8)*8+low%8, (7-high/8)*8+high%8
			start = startBit(k.order, low, high)
		}
		m.When = &decode.When{StartBit: int64(start), Length: int64(k.selector.length), Equals: int64(k.value)}
	}
	return m
}

// seconds as a duration that reads well.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*10)) * time.Second / 10
}
