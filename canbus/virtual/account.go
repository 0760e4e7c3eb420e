package virtual

import (
	"math"
	"slices"
	"sort"
	"time"
)

// Truth is what happened so far.
func (c *Combine) Truth() Truth {
	r := &c.truth
	first := float64(c.bus.firstNS-c.startNS) / 1e9
	end := c.seconds()
	t := Truth{
		Activity: append([]string{}, r.acts...), FeedTH: append([]float64{}, r.feeds...),
		GrainTH: append([]float64{}, r.grains...), Unloading: append([]uint8{}, r.unloads...),
		Start:     time.Unix(0, c.bus.firstNS).UTC().Format(time.RFC3339Nano),
		Intervals: []Interval{}, Quiet: [][2]float64{},
	}
	sag, maybe := r.sag.gone()
	over, maybeOver := r.overload.gone()
	maybe = append(maybe, maybeOver...)
	rotorSure, rotorMaybe := r.rotor.gone()
	if !c.set.own {
		rotorMaybe = append(rotorMaybe, rotorSure...) // it cannot be heard
		rotorSure = nil
	}
	// The engine sags under a slug too: the slowing rotor explains it. What
	// only one of the two rules finds doubtful is part of what the other finds
	// certain.
	found := merged(append(over, sag...))
	for _, v := range maybe {
		apart := true
		for i := range found {
			if s := &found[i]; v.Began < s.Ended && v.Ended > s.Began {
				apart = false
				s.GreyBefore = max(s.GreyBefore, s.Began-v.Began+v.GreyBefore)
				s.GreyAfter = max(s.GreyAfter, v.Ended-s.Ended+v.GreyAfter)
			}
		}
		if apart {
			t.Doubtful = append(t.Doubtful, v)
		}
	}
	for _, s := range found {
		if c.set.own && explained(s, append(rotorSure, rotorMaybe...)) && s.Ended-s.Began < 30 {
			t.Doubtful = append(t.Doubtful, s)
		} else {
			t.Intervals = append(t.Intervals, s)
		}
	}
	t.Intervals = append(t.Intervals, rotorSure...)
	t.Doubtful = append(t.Doubtful, rotorMaybe...)
	for _, w := range []*watch{&r.drop, &r.uneven, &r.spare, &r.hot, &r.separation, &r.cleaning, &r.cropLoss, &r.returns, &r.broken, &r.trash} {
		sure, maybe := w.gone()
		t.Intervals = append(t.Intervals, sure...)
		t.Doubtful = append(t.Doubtful, maybe...)
	}
	for i := range r.held {
		sure, maybe := r.held[i].gone()
		t.Intervals = append(t.Intervals, sure...)
		t.Doubtful = append(t.Doubtful, maybe...)
	}
	t.heldBack()
	sure, maybe := c.script.told(c)
	t.Intervals = append(t.Intervals, sure...)
	t.Doubtful = append(t.Doubtful, maybe...)
	order(t.Intervals)
	t.repeats()
	order(t.Doubtful)
	t.Quiet = r.quiet(end, t.Intervals, t.Doubtful)
	if c.sc.LossSaturated && c.set.own {
		// It carries no news all day; that may be said at any time.
		t.Doubtful = append(t.Doubtful, Interval{Kind: "separation-loss-high", Began: first, Ended: end})
	}
	shift(t.Intervals, first)
	shift(t.Doubtful, first)
	for i := range t.Quiet {
		t.Quiet[i][0] = round3(max(0, t.Quiet[i][0]-first))
		t.Quiet[i][1] = round3(max(0, t.Quiet[i][1]-first))
	}
	return t
}

// heldBack makes spare capacity doubtful where it is the owner's own limit of
// ground speed that leaves the machine empty.
func (t *Truth) heldBack() {
	holds := func(list []Interval, v Interval) bool {
		return slices.ContainsFunc(list, func(h Interval) bool {
			return h.Kind == "limit-holding" && h.Subject == "ground_speed_kmh" && h.Began < v.Ended && h.Ended > v.Began
		})
	}
	kept := t.Intervals[:0:0]
	for _, v := range t.Intervals {
		if v.Kind == "spare-capacity" && (holds(t.Intervals, v) || holds(t.Doubtful, v)) {
			t.Doubtful = append(t.Doubtful, v)
		} else {
			kept = append(kept, v)
		}
	}
	t.Intervals = kept
}

// repeats makes doubtful what an alarm may take for more of the same: a
// stretch that follows another of its kind within 20 s, and one that is over
// before a minute has passed since an alarm of the other, as there is at most
// one a minute. An empty machine is judged by means of half a minute: there a
// minute between them is none, also after one that is itself in doubt.
func (t *Truth) repeats() {
	kept := t.Intervals[:0]
	unsure := slices.Clone(t.Doubtful)
	type of struct{ kind, subject string }
	last, certain := map[of]Interval{}, map[of]Interval{}
	for _, v := range t.Intervals {
		k := of{v.Kind, v.Subject}
		before, more := last[k]
		last[k] = v
		apart := 20.0
		if v.Kind == "spare-capacity" {
			apart = 60
		}
		follows := more && (v.Began < before.Ended+apart || v.Ended < certain[k].Began+70)
		if v.Kind == "spare-capacity" {
			follows = follows || slices.ContainsFunc(unsure, func(d Interval) bool {
				return d.Kind == v.Kind && d.Began < v.Began && v.Began < d.Ended+apart
			})
		}
		if follows {
			t.Doubtful = append(t.Doubtful, v)
			continue
		}
		certain[k] = v
		kept = append(kept, v)
	}
	t.Intervals = kept
}

func order(list []Interval) {
	sort.SliceStable(list, func(i, j int) bool {
		a, b := &list[i], &list[j]
		if a.Began != b.Began {
			return a.Began < b.Began
		}
		return a.Kind < b.Kind
	})
}

func shift(list []Interval, first float64) {
	for i := range list {
		list[i].Began = round3(max(0, list[i].Began-first))
		list[i].Ended = round3(max(0, list[i].Ended-first))
		list[i].GreyBefore = round3(list[i].GreyBefore)
		list[i].GreyAfter = round3(list[i].GreyAfter)
	}
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }

// merged joins stretches that overlap or touch.
func merged(list []Interval) []Interval {
	order(list)
	var out []Interval
	for _, v := range list {
		if n := len(out) - 1; n >= 0 && v.Began <= out[n].Ended+2 {
			out[n].Ended = max(out[n].Ended, v.Ended)
			out[n].GreyBefore = max(out[n].GreyBefore, out[n].Began-v.Began+v.GreyBefore)
			continue
		}
		out = append(out, v)
	}
	return out
}

func explained(v Interval, by []Interval) bool {
	for _, b := range by {
		if b.Began < v.Ended && b.Ended > v.Began-6 {
			return true
		}
	}
	return false
}

// quiet are the stretches out of the crop that nothing touches.
func (r *recorder) quiet(end float64, lists ...[]Interval) [][2]float64 {
	out := [][2]float64{}
	spans := append(append([]span(nil), r.spans...), span{r.activity, r.since, end})
	for _, s := range spans {
		switch s.activity {
		case "cutting", "blocked":
			continue
		}
		if s.to-s.from < 3 {
			continue
		}
		touched := false
		for _, list := range lists {
			for _, v := range list {
				if v.Began-v.GreyBefore < s.to && v.Ended+v.GreyAfter > s.from {
					touched = true
				}
			}
		}
		if !touched {
			out = append(out, [2]float64{round3(s.from), round3(s.to)})
		}
	}
	return out
}
