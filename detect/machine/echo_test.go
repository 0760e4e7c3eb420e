package machine

import (
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

// noise is a fixed sequence within -0.5 and 0.5 (splitmix64, as in the
// make-believe combine).
type noise uint64

func (n *noise) next() float64 {
	*n += 0x9e3779b97f4a7c15
	z := uint64(*n)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64((z^z>>31)>>11)/(1<<53) - 0.5
}

// Grain flow that follows the power by so many seconds, smeared and noisy, is
// found to do so; noise without a relation leaves the usual delay.
func TestEchoFindsTheDelay(t *testing.T) {
	for _, delay := range []int{5, 9, 14, 18, 0} {
		var e echo
		n := noise(uint64(delay) + 7)
		crop, smeared := 40.0, 40.0
		var past [40]float64
		for i := range 1800 {
			crop += 0.1*(40-crop) + 6*n.next()
			past[i%40] = crop
			e.push(crop, 0, signal.Instant(i)*signal.Instant(time.Second))
			source := crop
			switch {
			case delay == 0:
				source = 40 + 10*n.next()
			case i >= delay:
				source = past[(i-delay)%40]
			}
			smeared += 0.6 * (source - smeared)
			e.listen(smeared + 3*n.next())
		}
		want := delay
		if delay == 0 {
			want = delayUsual
		}
		if math.Abs(float64(e.delay-want)) > 1 {
			t.Errorf("delay of %d s: found %d s", want, e.delay)
		}
	}
}

// A day without grain flow, and one in which it stands still, leave the filter
// bounded and its variance honest.
func TestGainDoesNotWindUp(t *testing.T) {
	g := newCropGain(0.3)
	for range 600 {
		g.add(50, 40)
	}
	if v, variance := g.value(9); math.Abs(v-1.25) > 0.03 || variance > 0.01 {
		t.Errorf("gain %.3f, variance %.4f, want 1.25", v, variance)
	}
	for range 43200 {
		g.pass()
	}
	v, variance := g.value(9)
	if math.Abs(v-1.25) > 0.05 || variance < nearSD*nearSD/2 || math.IsNaN(variance) {
		t.Errorf("after a day: gain %.3f, variance %.5f", v, variance)
	}
	for range 2_000_000 {
		g.add(50, 40)
	}
	if v, variance := g.value(9); math.Abs(v-1.25) > 0.01 || !(variance > 0) || !(g.p[0] > 0) || !(g.p[2] > 0) || g.p[1]*g.p[1] > g.p[0]*g.p[2] {
		t.Errorf("after 23 days of the same: gain %.3f, covariance %v", v, g.p)
	}
	for range 1200 { // another crop
		g.add(20, 40)
	}
	if v, _ := g.value(9); math.Abs(v-0.5) > 0.02 {
		t.Errorf("gain %.3f in another crop, want 0.5", v)
	}
}

// Turns at one speed cannot tell base and rolling apart, but their sum holds,
// and days of them do not wind the covariance up.
func TestEmptyRunningIsBounded(t *testing.T) {
	e := newEmptyRunning(45, 250)
	for i := range 1_000_000 {
		e.pass()
		if i%20 == 0 {
			e.learn(80, 250, 4)
		}
	}
	got, variance := e.at(250)
	if math.Abs(got-80) > 0.5 || !(variance > 0) || variance > 100 || !(e.p[0] > 0) || !(e.p[2] > 0) {
		t.Errorf("%.2f kW, variance %.3f, covariance %v", got, variance, e.p)
	}
}

// Losses that climb from 45 t/h on set the limit there.
func TestKnee(t *testing.T) {
	var k knee
	n := noise(3)
	var s State
	if _, ok := k.at(); ok {
		t.Error("a knee before anything was heard")
	}
	for i := range 20000 {
		rate := 40 + 20*n.next()
		level := 12 + 2*n.next()
		if rate > 45 {
			level += 12 * (rate - 45)
		}
		s.Now = signal.Instant(i) * signal.Instant(time.Second)
		s.Feed = Feed{Rate: signal.TPH(rate), Basis: FromPower}
		s.Signals.Set(signal.SeparationLoss.ID, signal.Reading[float64]{Value: level, At: s.Now, Heard: s.Now, Quality: signal.Good})
		k.second(&s, 45)
	}
	if at, ok := k.at(); !ok || at < 42 || at > 50 {
		t.Errorf("knee at %.1f t/h (%v), want 45", at, ok)
	}
}
