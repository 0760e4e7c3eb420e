package feedscore

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chaffinch/detect/machine"
)

// FeedScore gathers the errors of 30 s means of the feed rate, all as shares of
// the true feed.
type FeedScore struct {
	Errors []float64 // as stated
	Rest   []float64 // with each field's constant factor taken off
	Claims []float64 // stated standard deviations
	Fields []float64 // logarithm of each field's constant factor
	// Unknown counts the means that were not judged because no feed was said.
	Unknown int
	// Silly counts the seconds of cutting, more than 3 s after entry, in which
	// a feed close to nothing was claimed to be sure while crop went in.
	Silly int
}

const (
	window   = 30  // s
	leastTH  = 5.0 // means under it have no relative error worth having
	learning = 1200
)

// Add judges a harvest after the given seconds of true cutting.
func (f *FeedScore) Add(h *Harvest, learned int) {
	var got, want, claim []float64
	cut, in := 0, 0
	for i := range h.Seconds {
		s := &h.Seconds[i]
		if s.TrueActivity != "cutting" {
			in = 0
			continue
		}
		in++
		if cut++; s.TrueFeed > 10 && s.Activity == machine.Cutting && s.Basis != machine.NoFeed && s.Feed+2*s.SD < 0.3*s.TrueFeed && in > 6 {
			f.Silly++
		}
	}
	cut = 0
	for from := 0; from+window <= len(h.Seconds); {
		all, known := true, true
		var g, w, c float64
		for i := from; i < from+window; i++ {
			s := &h.Seconds[i]
			if s.TrueActivity == "cutting" {
				cut++
			}
			all = all && s.TrueActivity == "cutting" && s.Heard
			known = known && s.Basis != machine.NoFeed
			g, w, c = g+s.Feed/window, w+s.TrueFeed/window, c+s.SD/window
		}
		from += window
		if !all || cut < learned || w < leastTH {
			continue
		}
		if !known {
			f.Unknown++
			continue
		}
		got, want, claim = append(got, g), append(want, w), append(claim, c)
	}
	if len(got) < 10 || !h.Harvested() {
		return
	}
	ratios := make([]float64, len(got))
	for i := range got {
		ratios[i] = got[i] / want[i]
	}
	factor := Median(ratios)
	f.Fields = append(f.Fields, math.Log(factor))
	for i := range got {
		f.Errors = append(f.Errors, got[i]/want[i]-1)
		f.Rest = append(f.Rest, got[i]/want[i]/factor-1)
		f.Claims = append(f.Claims, claim[i]/want[i])
	}
}

// Coverage is the share of means whose error is within the stated standard
// deviation.
func (f *FeedScore) Coverage() float64 {
	n := 0
	for i, e := range f.Errors {
		if math.Abs(e) <= f.Claims[i] {
			n++
		}
	}
	return float64(n) / float64(max(1, len(f.Errors)))
}

func (f *FeedScore) String() string {
	return fmt.Sprintf("%d means of 30 s in %d fields: error rms %.1f %%, median %.1f %%, 68 %% under %.1f %%; without each field's factor rms %.1f %%, median %.1f %%, 68 %% under %.1f %%; factors rms %.1f %%, mean %+.1f %%; stated %.1f %%, within it %.0f %%; no feed %d, surely nothing %d s",
		len(f.Errors), len(f.Fields), 100*RMS(f.Errors), 100*sizeAt(f.Errors, 0.5), 100*sizeAt(f.Errors, 0.6827), 100*RMS(f.Rest), 100*sizeAt(f.Rest, 0.5), 100*sizeAt(f.Rest, 0.6827),
		100*RMS(f.Fields), 100*mean(f.Fields), 100*RMS(f.Claims), 100*f.Coverage(), f.Unknown, f.Silly)
}

// Harvested tells whether there was half an hour of cutting. Without it a
// harvest says nothing.
func (h *Harvest) Harvested() bool {
	cut := 0
	for i := range h.Seconds {
		if h.Seconds[i].TrueActivity == "cutting" {
			cut++
		}
	}
	return cut >= 1800
}

// Confusion counts seconds by what was true and what was said.
type Confusion struct {
	count      map[[2]string]int
	right, all int
}

// Add counts the seconds of a harvest in which a bus was heard.
func (c *Confusion) Add(h *Harvest) {
	if !h.Harvested() {
		return
	}
	if c.count == nil {
		c.count = map[[2]string]int{}
	}
	for i := range h.Seconds {
		s := &h.Seconds[i]
		if !s.Heard {
			continue
		}
		said := s.Activity.String()
		c.count[[2]string{s.TrueActivity, said}]++
		c.all++
		if said == s.TrueActivity {
			c.right++
		}
	}
}

// Share is the share of seconds that were right.
func (c *Confusion) Share() float64 { return float64(c.right) / float64(max(1, c.all)) }

// String is a table: a row for each activity that was true, a column for each
// that was said.
func (c *Confusion) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "right %.2f %% of %d s\n%-11s", 100*c.Share(), c.all, "true \\ said")
	for said := machine.Unknown; said <= machine.Blocked; said++ {
		fmt.Fprintf(&b, "%11s", said)
	}
	for is := machine.Off; is <= machine.Blocked; is++ {
		fmt.Fprintf(&b, "\n%-11s", is)
		for said := machine.Unknown; said <= machine.Blocked; said++ {
			fmt.Fprintf(&b, "%11d", c.count[[2]string{is.String(), said.String()}])
		}
	}
	return b.String()
}

// RMS is the root of the mean square, 0 of nothing.
func RMS(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(max(1, len(v))))
}

// Median is the middle value, 0 of nothing.
func Median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}

// sizeAt is the size under which a share of the values lie.
func sizeAt(v []float64, share float64) float64 {
	if len(v) == 0 {
		return 0
	}
	sizes := make([]float64, len(v))
	for i, x := range v {
		sizes[i] = math.Abs(x)
	}
	slices.Sort(sizes)
	return sizes[min(len(sizes)-1, int(share*float64(len(sizes))))]
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(max(1, len(v)))
}
