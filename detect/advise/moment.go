package advise

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// moment knows when what may be done: work is judged and prompted for only
// while it is steady, and a lever that is set by hand only while the machine
// stands with threshing off.
type moment struct {
	steady    bool           // cutting, settled in the crop, not unloading, at a held speed
	since     signal.Instant // when steady work began, or Never
	standing  bool           // with threshing off
	still     bool           // standing, whatever else
	stillFrom signal.Instant
	speed     float64 // mean of some seconds, km/h
	entered   signal.Instant
}

const (
	// settleIn is how long the flow takes to be steady after entering the crop
	// (10 to 20 s, common practice, no source).
	settleIn = 15 * time.Second
	// heldSpeed is how far a held ground speed may be from its mean.
	heldSpeed  = 0.25
	speedShare = 1.0 / 80 // a step: 8 s
	stillKMH   = 0.3
)

func newMoment() moment {
	return moment{since: signal.Never, stillFrom: signal.Never, entered: signal.Never}
}

func (m *moment) step(s *machine.State) {
	v := float64(s.Speed.Value)
	known := s.Speed.Known && finite(v)
	unloading, _ := signal.Unloading.Fresh(&s.Signals, s.Now)
	cutting := s.Activity == machine.Cutting && s.Header != machine.No && !unloading.On()
	if cutting && known {
		if m.entered != s.InCrop {
			m.entered, m.speed = s.InCrop, v
		}
		m.speed += speedShare * (v - m.speed)
	}
	m.steady = cutting && known && s.Now.Sub(s.InCrop) >= settleIn && v > 0.5 &&
		math.Abs(v-m.speed) <= heldSpeed*m.speed
	switch {
	case !m.steady:
		m.since = signal.Never
	case m.since == signal.Never:
		m.since = s.Now
	}
	m.still = known && v < stillKMH || !known && s.Activity == machine.Off
	switch {
	case !m.still:
		m.stillFrom = signal.Never
	case m.stillFrom == signal.Never:
		m.stillFrom = s.Now
	}
	m.standing = m.still && (s.Activity == machine.Idle || s.Activity == machine.Off) && s.Threshing != machine.Yes
}

// steadyFor tells whether work has been steady for so long.
func (m *moment) steadyFor(now signal.Instant, d time.Duration) bool {
	return m.steady && now.Sub(m.since) >= d
}
