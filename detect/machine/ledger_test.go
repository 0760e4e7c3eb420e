package machine

import (
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

// Promise: the times of all activities add up to the time stepped through, also
// over a break of the stream's clock.
func TestTheLedgerAddsUp(t *testing.T) {
	m := New(DefaultSettings(), Crop{})
	work := plain{signal.EngineSpeed.ID: 2000, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 5, signal.HeaderWorking.ID: 1, signal.Unloading.ID: 0}
	turn := plain{signal.EngineSpeed.ID: 2000, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 6, signal.HeaderWorking.ID: 0, signal.Unloading.ID: 0}
	now := signal.Instant(0)
	var s *State
	live := func(p plain, long time.Duration) {
		s = p.run(m, now, long)
		now = now.Add(long)
	}
	live(work, 60*time.Second)
	live(turn, 25*time.Second)
	work[signal.Unloading.ID] = 1
	live(work, 30*time.Second)
	m.Reset()
	now = now.Add(time.Hour)
	live(work, 10*time.Second)
	live(plain{signal.EngineSpeed.ID: 0}, 20*time.Second)

	var sum time.Duration
	for a := Unknown; a < activityCount; a++ {
		sum += s.Ledger.In(a)
	}
	if want := 145 * time.Second; sum != want || s.Ledger.Total() != want {
		t.Errorf("%v in all, %v in total, want %v", sum, s.Ledger.Total(), want)
	}
	for _, c := range []struct {
		what      string
		got, want time.Duration
	}{
		{"cutting", s.Ledger.In(Cutting), 98 * time.Second},
		{"turning", s.Ledger.In(Turning), 25 * time.Second},
		{"off", s.Ledger.In(Off), 20 * time.Second},
		{"unloading on the go", s.Ledger.UnloadingOnTheGo(), 38 * time.Second},
	} {
		if d := c.got - c.want; d.Abs() > 3*time.Second {
			t.Errorf("%s: %v, want %v within the times of hysteresis", c.what, c.got, c.want)
		}
	}
}
