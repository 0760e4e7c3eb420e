package feedscore

import (
	"fmt"
	"os"
	"sync"
	"testing"
)

// total is the score of a signal set over many harvests.
type total struct {
	feed FeedScore
	acts Confusion
}

func runAll(t *testing.T, from, to uint64, o Options) *total {
	t.Helper()
	all := make([]*Harvest, to-from+1)
	var wait sync.WaitGroup
	gate := make(chan struct{}, 2)
	for seed := from; seed <= to; seed++ {
		wait.Add(1)
		go func() {
			defer wait.Done()
			gate <- struct{}{}
			defer func() { <-gate }()
			h, err := Run(seed, o)
			if err != nil {
				t.Error(err)
				return
			}
			all[seed-from] = h
		}()
	}
	wait.Wait()
	sum := &total{}
	for _, h := range all {
		if h == nil {
			t.FailNow()
		}
		var one FeedScore
		var acts Confusion
		one.Add(h, learning)
		acts.Add(h)
		sum.feed.Add(h, learning)
		sum.acts.Add(h)
		if testing.Verbose() {
			t.Logf("seed %d: %s, %s: %.1f %% %v", h.Seed, h.Scenario.Machine, h.Scenario.Crop, 100*acts.Share(), &one)
		}
	}
	return sum
}

// The long run, for figures: CHAFFINCH_FEED=first,last,hours,set where set is
// full, generic, bare, or full-nocurve and so on.
func TestLongRun(t *testing.T) {
	text := os.Getenv("CHAFFINCH_FEED")
	if text == "" {
		t.Skip("a long run for figures: set CHAFFINCH_FEED=first,last,hours,set")
	}
	var from, to uint64
	var hours float64
	var set string
	if _, err := fmt.Sscanf(text, "%d,%d,%f,%s", &from, &to, &hours, &set); err != nil {
		t.Fatal(err)
	}
	o := Options{Hours: hours, Signals: set}
	if n := len(set) - len("-nocurve"); n > 0 && set[n:] == "-nocurve" {
		o.Signals, o.NoCurve = set[:n], true
	}
	sum := runAll(t, from, to, o)
	t.Logf("%s, seeds %d to %d, %g h: feed %v", set, from, to, hours, &sum.feed)
	t.Logf("activity %v", &sum.acts)
}
