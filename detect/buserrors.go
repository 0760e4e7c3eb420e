package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// busTrouble: more than a hundredth of what the controller hands over are
// reports of errors, over some seconds.
type busTrouble struct {
	common
	set    BusErrors
	past   [60]machine.BusCount // one a second
	filled int
	second signal.Instant
	over   dwell
	share  float64 // %
}

// leastErrors: some error frames come with every plug and every key-on.
const leastErrors = 20

func newBusTrouble(set BusErrors) *busTrouble {
	r := &busTrouble{common: one(busErrors, ""), set: set}
	r.reset()
	return r
}

func (r *busTrouble) reset() { r.filled, r.second, r.over, r.share = 0, signal.Never, dwell{}, 0 }

func (r *busTrouble) step(s *machine.State, d *desk) {
	r.sees()
	if r.second == signal.Never || s.Now.Sub(r.second) >= time.Second {
		r.second = s.Now
		r.count(s)
	}
	limit := float64(r.set.Share)
	if r.slots[0].phase != quiet {
		limit -= min(limit/2, kinds[busErrors].Margin)
	}
	f := finding{verdict: clear, priority: High, value: r.share, unit: "%"}
	if r.share > limit {
		window := r.window()
		f.verdict, f.ready, f.began = met, true, s.Now.Add(-time.Duration(window)*time.Second)
	}
	d.step(&r.slots[0], f, s, r)
}

func (r *busTrouble) window() int { return int(r.set.For.get() / time.Second) }

// count compares with the counts of the window ago.
func (r *busTrouble) count(s *machine.State) {
	window := r.window()
	copy(r.past[1:], r.past[:len(r.past)-1])
	r.past[0] = s.Bus
	r.filled = min(r.filled+1, len(r.past))
	r.share = 0
	if r.filled <= window {
		return
	}
	then := r.past[window]
	if s.Bus.Errors < then.Errors || s.Bus.Data < then.Data {
		r.filled = 1 // the counts began anew
		return
	}
	errors := s.Bus.Errors - then.Errors
	if errors >= leastErrors {
		r.share = 100 * float64(errors) / float64(errors+s.Bus.Data-then.Data)
	}
}

func (r *busTrouble) tell(e *Event, _ *alarm, s *machine.State) {
	e.Peak.Name = "error_frames_pct"
	e.Evidence = []Fact{{Name: "error_frames_pct", Value: round1(e.Peak.Value), Unit: "%"}, {Name: "error_frames", Value: float64(s.Bus.Errors)}}
	e.Text = fmt.Sprintf("%.0f %% bus errors: check plug and terminators", e.Peak.Value)
}
