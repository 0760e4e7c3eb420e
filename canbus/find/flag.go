package find

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"slices"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Change is a moment at which somebody saw a state change: the header went
// down, unloading began, threshing was switched off.
type Change struct {
	Stamp int64 // on the clock of Frame.Stamp, in nanoseconds
	On    bool  // the state after it
}

// FlagQuery asks for a signal that is 0 or 1.
type FlagQuery struct {
	Signal  signal.ID
	Changes []Change
	Late    time.Duration // as in Query
	Best    int
}

const (
	mostChanges  = 512  // of a bit; one that changes more often is no such flag
	mostFirsts   = 32   // values of byte 1 that may tell layouts apart
	mostMessages = 8192 // that are looked at, of some 4 KB each; a machine has hundreds
	changeMissed = 0.02
	changeExtra  = 0.35 // that a change of the state was not noted
	betweenSlack = 700 * time.Millisecond
)

// flagStream is what the bits of one message, or of one of its layouts, did.
type flagStream struct {
	message
	selected bool
	value    uint64 // of byte 1, where that selects
	bytes    uint8
	begun    bool
	first    uint64
	last     uint64
	both     uint64 // bit k and the one above it were 1 at once
	above    uint64 // the one above was 1 without bit k
	count    [64]int32
	at       [64][]int64 // when each bit changed; its first mostChanges
	layouts  []*flagStream
	whole    bool // byte 1 tells no layouts apart
}

func (s *flagStream) feed(stamp int64, data uint64) {
	s.both |= data & (data >> 1)
	s.above |= data >> 1 &^ data
	if !s.begun {
		s.begun, s.first, s.last = true, data, data
		return
	}
	for x := data ^ s.last; x != 0; x &= x - 1 {
		k := bits.TrailingZeros64(x)
		if s.count[k]++; s.count[k] <= mostChanges {
			s.at[k] = append(s.at[k], stamp)
		}
	}
	s.last = data
}

// layout is the part of s for a value of byte 1, or nil if that byte is no
// selector.
func (s *flagStream) layout(value uint64) *flagStream {
	if s.whole {
		return nil
	}
	for _, l := range s.layouts {
		if l.value == value {
			return l
		}
	}
	if len(s.layouts) == mostFirsts {
		s.whole, s.layouts = true, nil
		return nil
	}
	l := &flagStream{message: s.message, selected: true, value: value, bytes: s.bytes}
	s.layouts = append(s.layouts, l)
	return l
}

// Flags searches a log for the bit that changed at the given moments, and not
// at others. At least three changes are needed.
func Flags(log Source, q FlagQuery) (*Result, error) {
	if int(q.Signal) >= signal.Count || !q.Signal.Info().Flag {
		return nil, errors.New("find: not a signal that is 0 or 1")
	}
	if len(q.Changes) < FewestReadings {
		return nil, errors.New("find: a search needs at least 3 changes of the state")
	}
	q.Changes = slices.Clone(q.Changes)
	slices.SortStableFunc(q.Changes, func(a, b Change) int { return int(min(1, max(-1, a.Stamp-b.Stamp))) })
	if q.Late <= 0 {
		q.Late = usualLate
	}
	if q.Best <= 0 {
		q.Best = usualBest
	}
	index := map[message]*flagStream{}
	frames, tooMany := 0, false
	var start, end int64
	err := feedAll(log, func(f *canbus.Frame) {
		if f.Flags&(canbus.ErrorFrame|canbus.Remote|canbus.FD) != 0 || f.Len == 0 {
			return
		}
		wide := f.Flags&canbus.Extended != 0
		if wide && carrier(f.ID) {
			return
		}
		if frames == 0 {
			start = f.Stamp
		}
		frames++
		end = max(end, f.Stamp)
		id := f.ID
		if wide {
			id &= 1<<26 - 1
		}
		m := message{f.Interface, wide, id}
		s := index[m]
		if s == nil {
			if len(index) == mostMessages {
				tooMany = true
				return
			}
			s = &flagStream{message: m, bytes: min(f.Len, 8)}
			index[m] = s
		}
		s.bytes = min(s.bytes, f.Len)
		data := binary.LittleEndian.Uint64(f.Data[:])
		s.feed(f.Stamp, data)
		if l := s.layout(data & 0xFF); l != nil {
			l.feed(f.Stamp, data)
		}
	})
	if err != nil {
		return nil, err
	}
	r := &Result{Signal: q.Signal.String(), Step: 1, Frames: frames, Kinds: len(index)}
	if tooMany {
		r.note("there are more than %d different messages, which no machine sends: only the first were looked at; is this a log of one bus, at its bit rate?", mostMessages)
	}
	for _, c := range q.Changes {
		v := 0.0
		if c.On {
			v = 1
		}
		r.Used = append(r.Used, Used{AtS: float64(c.Stamp-start) / 1e9, Value: v})
		if c.Stamp < start || c.Stamp > end+int64(q.Late) {
			r.note("the change at %v is outside the log: check the clock and the time zone", seconds(float64(c.Stamp-start)/1e9))
		}
	}
	all := make([]*flagStream, 0, len(index))
	for _, s := range index {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b *flagStream) int { return a.compare(b.message) })
	var found []flagBit
	for _, s := range all {
		found = append(found, s.search(q, end-start, &r.Fields)...)
		if len(s.layouts) > 1 {
			for _, l := range s.layouts {
				found = append(found, l.search(q, end-start, &r.Fields)...)
			}
		}
	}
	slices.SortStableFunc(found, func(a, b flagBit) int { return descending(a.odds, b.odds) })
	r.concludeFlags(found, q)
	return r, nil
}

// flagBit is a bit that may be the flag.
type flagBit struct {
	*flagStream
	bit      uint8
	inverted bool
	odds     float64
	missed   int // changes that it does not have
	extra    int // that nobody noted
}

// search weighs the bits of the stream: how likely a bit that changes as often
// would be to change the right way in each of the given moments by chance.
func (s *flagStream) search(q FlagQuery, length int64, tried *int) (found []flagBit) {
	for k := range uint8(8 * s.bytes) {
		n := s.count[k]
		if n == 0 || s.selected && k < 8 {
			continue
		}
		*tried += 2
		if n > mostChanges {
			continue
		}
		window := (q.Late + betweenSlack + lead).Seconds()
		chance := 1 - math.Exp(-float64(n)/2*window*1e9/float64(max(1, length)))
		for _, inverted := range [...]bool{false, true} {
			b := flagBit{flagStream: s, bit: k, inverted: inverted}
			used := 0
			for _, c := range q.Changes {
				if b.changes(c, q.Late) {
					b.odds -= math.Log(chance)
					used++
				} else {
					b.odds += math.Log(changeMissed)
					b.missed++
				}
			}
			b.extra = int(n) - used
			b.odds += float64(min(b.extra, 12)) * math.Log(changeExtra)
			if inverted {
				b.odds -= 1
			}
			if s.selected {
				b.odds -= 1
			}
			if b.odds > 0 {
				found = append(found, b)
			}
		}
	}
	return found
}

// state is the bit as it stood at a stamp.
func (b *flagBit) state(at int64) bool {
	on := b.first>>b.bit&1 == 1
	n, _ := slices.BinarySearch(b.at[b.bit], at+1)
	return on != (n%2 == 1) != b.inverted
}

// changes tells whether the bit changes as noted: just before or at the moment,
// from the one state to the other.
func (b *flagBit) changes(c Change, late time.Duration) bool {
	return b.state(c.Stamp-int64(late+betweenSlack)) != c.On && b.state(c.Stamp+int64(lead)) == c.On
}

// alike tells whether two bits change at the same moments.
func (b *flagBit) alike(o *flagBit) bool {
	x, y := b.at[b.bit], o.at[o.bit]
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		if d := x[i] - y[i]; d > int64(time.Second) || d < -int64(time.Second) {
			return false
		}
	}
	return true
}

func (r *Result) concludeFlags(found []flagBit, q FlagQuery) {
	type heap struct {
		flagBit
		same  int
		share float64
	}
	var groups []heap
next:
	for _, b := range found {
		for i := range groups {
			if b.alike(&groups[i].flagBit) {
				groups[i].same++
				continue next
			}
		}
		groups = append(groups, heap{flagBit: b})
	}
	fields := math.Log(max(1, float64(r.Fields)))
	sum := (1 - priorPresent) / priorPresent
	for i := range groups {
		groups[i].share = math.Exp(min(600, groups[i].odds-fields))
		sum += groups[i].share
	}
	r.None = (1 - priorPresent) / priorPresent / sum
	for i := range groups {
		groups[i].share /= sum
	}
	for i := range groups[:min(len(groups), q.Best)] {
		g := &groups[i]
		c := g.choice(q)
		c.Probability, c.Same = g.share, g.same
		r.Best = append(r.Best, c)
	}
	r.Chance = float64(r.Fields)
	if len(groups) > 0 {
		r.Chance *= math.Exp(-groups[0].odds)
	}
	r.Verdict = r.judge(len(groups), func(i int) float64 { return groups[i].share })
	switch r.Verdict {
	case Nothing:
		r.Next = "check that the times are right; the state may be a number of several values, or not on this bus"
	case Unsure, Ambiguous:
		r.More = 2
		r.Next = "note two more changes, at moments when nothing else is switched"
	case Found:
		if g := &groups[0]; g.same > 0 {
			r.note("%d other bits change at the same moments; any of them will do, but which of the states is meant shows only when they part", g.same)
		}
	}
	if len(groups) > 0 && r.Verdict != Nothing {
		if g := &groups[0]; g.extra > 0 {
			r.note("the first candidate changes %d more times than were noted", g.extra)
		}
	}
}

// judge is the verdict on shares that are in order.
func (r *Result) judge(n int, share func(int) float64) Verdict {
	switch {
	case n == 0 || r.None > 1-leastNotice:
		return Nothing
	case r.None > mostDoubt:
		return Unsure
	case share(0) < leastShare*(1-r.None):
		return Ambiguous
	}
	return Found
}

func (b *flagBit) choice(q FlagQuery) Choice {
	f := field{stream: &stream{message: b.message, bytes: b.bytes, selected: b.selected, selector: selector{0, 8}, value: b.value},
		low: b.bit, high: b.bit}
	k := candidate{field: f}
	c := Choice{Interface: b.face, ID: b.id, Source: -1, StartBit: int(b.bit), Length: 1, ByteOrder: "little", Scale: 1, Round: true}
	switch {
	case b.inverted:
		c.Scale, c.Offset = -1, 1
	case b.bit%2 == 0 && b.bit < 63 && b.both>>b.bit&1 == 1 && b.above>>b.bit&1 == 0:
		c.Length = 2 // 3 stands for "not available": SAE J1939-71
	}
	for _, x := range q.Changes {
		says := 0.0
		if b.state(x.Stamp + int64(lead)) {
			says = 1
		}
		c.Says = append(c.Says, says)
	}
	c.Residual, c.Worst = float64(b.missed), min(1, float64(b.missed))
	if b.wide {
		p, _ := j1939.ParseID(b.id)
		c.PGN, c.Source = uint32(p.PGN), int(p.Source)
	}
	c.Map = k.entry(c, q.Signal)
	c.MapText = mapText(&c.Map)
	return c
}
