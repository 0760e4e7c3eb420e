package mqtt

import (
	"slices"
	"testing"
	"time"
)

func TestPausesGrowToAMinute(t *testing.T) {
	pauses := func(random float64, n int) (out []time.Duration) {
		b := backoff{random: func() float64 { return random }, shortest: shortestPause}
		for range n {
			out = append(out, b.next())
		}
		b.reset()
		return append(out, b.next())
	}
	s := time.Second
	if got, want := pauses(0, 8), []time.Duration{s, 2 * s, 4 * s, 8 * s, 16 * s, 32 * s, 60 * s, 60 * s, s}; !slices.Equal(got, want) {
		t.Errorf("longest pauses %v, want %v", got, want)
	}
	if got, want := pauses(0.999999, 6)[0], 750*time.Millisecond; got < want || got > want+time.Millisecond {
		t.Errorf("first pause %v, want %v at the least", got, want)
	}
}
