package advise

import (
	"time"

	"chaffinch/canbus/signal"
)

// pace keeps prompts few: a person who drives has no eyes for more.
type pace struct {
	opened [mostAnHour]signal.Instant // the newest prompts
	next   int
}

const (
	// mostAnHour and apart: alarm practice takes six to twelve an hour for what
	// an operator can manage (ISA-18.2); a prompt is about ten minutes' work.
	mostAnHour = 8
	apart      = 2 * time.Minute
	// settingAge: a setting keeps its value while its sender is silent for a
	// while; driven ones are not followed on a headland.
	settingAge = 15 * time.Minute
)

func newPace() pace {
	var p pace
	for i := range p.opened {
		p.opened[i] = signal.Never
	}
	return p
}

// allows tells whether one more prompt may be opened. What puts a change back
// may use up the last of the hour; others leave room for it.
func (p *pace) allows(now signal.Instant, back bool) bool {
	newest := p.opened[(p.next+mostAnHour-1)%mostAnHour]
	oldest := p.opened[p.next]
	if !back {
		oldest = p.opened[(p.next+1)%mostAnHour]
	}
	return now.Sub(newest) >= apart && now.Sub(oldest) >= time.Hour
}

func (p *pace) open(now signal.Instant) {
	p.opened[p.next] = now
	p.next = (p.next + 1) % mostAnHour
}
