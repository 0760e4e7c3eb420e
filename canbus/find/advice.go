package find

import (
	"fmt"
	"math"

	"chaffinch/canbus/signal"
)

func (r *Result) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// advise says how many more readings a clear answer takes and which reading
// would help most.
func (r *Result) advise(d *display, groups []group, q Query) {
	low, high := d.values[0], d.values[0]
	for _, v := range d.values {
		low, high = min(low, v), max(high, v)
	}
	unit := q.Signal.Info().Unit
	apart := fmt.Sprintf("take one while the display shows much less than %s or much more than %s %s", short(low), short(high), unit)
	switch r.Verdict {
	case Found:
		if !r.Best[0].Round {
			r.note("scale and offset are no round numbers: they rest on the readings alone, so check the map at low and high values")
		}
	case Nothing:
		r.Next = "check that the readings and their times are right; if they are, this signal is not on this bus, or not as a plain number"
	case Unsure:
		// A reading tells about as much as the display has steps in its spread.
		gain := math.Log(d.spread / (2 * d.slack(groups[0].head.scale)))
		missing := math.Log((1-mostDoubt)/mostDoubt) - math.Log((1-r.None)/r.None)
		r.More = max(1, int(math.Ceil(missing/max(0.5, gain))))
		r.Next = apart
	case Ambiguous:
		r.More, r.Next = tellApart(d, groups, unit)
		if r.Next == "" {
			r.Next = apart
		}
	}
	if len(r.Best) > 0 {
		b := &r.Best[0]
		if b.Known != "" {
			r.note("the first candidate lies in what a standard calls %s", b.Known)
		}
		if _, words := partnerOf(q.Signal); b.Partner > tooClose && q.Signal != signal.EngineSpeed.ID {
			r.note("the first candidate goes exactly with %s and may be nothing else; take readings at other settings", words)
		}
		if b.Same > 0 {
			r.note("%d other fields say the same as the first candidate; any of them will do", b.Same)
		}
		if wrong := b.wrongReading(d); wrong >= 0 && r.Verdict != Nothing {
			r.note("the reading %s at %v does not fit the first candidate, which says %s: check it",
				short(d.values[wrong]), seconds(r.Used[wrong].AtS), short(b.Says[wrong]))
		}
	}
}

// wrongReading is the reading that the choice misses, or -1.
func (c *Choice) wrongReading(d *display) int {
	for i, v := range d.values {
		if math.Abs(v-c.Says[i]) > d.slack(c.Scale)+d.step {
			return i
		}
	}
	return -1
}

// tellApart compares what the likely groups would have shown in the whole log,
// and picks the moment at which a reading would have told the first from the
// others best.
func tellApart(d *display, groups []group, unit string) (more int, next string) {
	first := &groups[0].head
	more = 1
	best, says, other := 0.0, 0.0, 0.0
	second := true // only the first rival is spoken of
	for n := 1; n < len(groups) && groups[n].share > groups[0].share/100; n++ {
		if groups[n].other {
			continue
		}
		rival := &groups[n].head
		differ, known := 0, 0
		for i := range first.series {
			off := math.Abs(first.series[i] - rival.series[i])
			if math.IsNaN(off) {
				continue
			}
			known++
			if off > d.slack(first.scale)+d.slack(rival.scale) {
				differ++
			}
			if off > best && second {
				best, says, other = off, first.series[i], rival.series[i]
			}
		}
		second = false
		if differ == 0 {
			return 0, "nothing in this log tells the first two candidates apart; log another time, with other work, and search again"
		}
		// At a moment taken by chance they differ this often; when they do, one
		// reading settles it.
		more = max(more, int(math.Ceil(float64(known)/float64(differ))))
	}
	if best > 0 {
		next = fmt.Sprintf("take one while the display shows about %s %s: there the second candidate would have it show %s",
			short(says), unit, short(other))
	}
	return min(more, 20), next
}

// short prints a value as a display would.
func short(v float64) string { return fmt.Sprintf("%.6g", tidy(v)) }
