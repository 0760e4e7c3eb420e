package coaching

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
)

// Session is a case and what came of it.
type Session struct {
	Case
	Prompts int // that asked for a change or a look
	Backs   int // that asked to put a change back
	Checks  int // that were asked for
	Trials  []Trial
	Lines   []Line // the dialogue

	// NeededH is the time of the last that was asked or told, SpentH that of the
	// whole session.
	NeededH, SpentH float64
	// Begun and Ended are the machine as it was set at first and at last, both
	// in the crop of the end, Best what could be had within the limits.
	Begun, Ended, Best State
	Target             virtual.Levels
	TargetLossPct      float64
	Left               []string // symptoms that were still there, by the adviser
	Over               []string // levels over their target, by the truth
	OverAtFirst        []string
}

// State is how a machine is set, and what that leads to.
type State struct {
	Settings map[string]float64
	Levels   virtual.Levels
	CostPct  float64 // of the worth of the crop
}

// Line is a line of the dialogue.
type Line struct {
	At   signal.Instant
	Mark byte // '?' asked, '>' done, '=' verdict, '.' to know, '!' set
	Text string
}

// quietFor is how long nothing is asked any more until a session is over.
const quietFor = 75 * time.Minute

// usualS is over how many seconds of cutting the ground speed is taken: he drives
// faster where the crop is thin, and levels are worked out for its mean.
const usualS = 1800

// session is one that is running.
type session struct {
	Session
	combine  *virtual.Combine
	adviser  *advise.Adviser
	op       operator
	events   []detect.Event
	last     signal.Instant // that anything was asked, done or told
	started  bool
	speed    float64            // usual of late, km/h
	atFirst  map[string]float64 // the settings at the first prompt
	pending  bool               // a change is being judged
	debt     bool               // one is to be put back
	trial    *Trial
	finished bool
}

// Run plays a case.
func Run(c Case) (*Session, error) {
	v := virtual.New(c.Scenario, c.Seed)
	aims, alarms := targets(v)
	text := virtual.ConfigText(c.Scenario) + alarms
	var hidden []uint16
	switch c.Kind {
	case Unmoved:
		text = withoutMap(text, "rotor_speed_rpm")
		hidden = []uint16{processdata.ConcaveClearance, processdata.SeparationFanSpeed, processdata.ChafferClearance, processdata.SieveClearance}
	case HandSet:
		text = byHand.Replace(text)
		hidden = []uint16{processdata.ConcaveClearance, processdata.ChafferClearance, processdata.SieveClearance}
	}
	cfg, wrong := config.FromText(text)
	if len(wrong) > 0 {
		return nil, fmt.Errorf("coaching: %w", wrong[0])
	}
	s := &session{Session: Session{Case: c}, combine: v}
	s.adviser = advise.New(advise.Facts{Machine: cfg.Machine, Crop: cfg.Crop, Knowledge: config.DefaultAdvice(), TargetPct: aims})
	s.op = operator{combine: v, moves: c.Kind != Unmoved, breaks: c.Kind == HandSet, times: 1, dice: newDice(c.Seed, 2)}
	if c.Kind == HeavyHanded {
		s.op.times = HeavyTimes
	}
	thinks, err := core.New(cfg, core.Outputs{
		Event: func(e *detect.Event) { s.events = append(s.events, *e) },
		State: s.state,
	})
	if err != nil {
		return nil, err
	}
	frames := make([]canbus.Frame, 64)
	for done := false; !done && !s.finished; {
		var n int
		n, done = v.Next(frames)
		for i := range frames[:n] {
			if tells(&frames[i], hidden) {
				continue
			}
			thinks.Frame(&frames[i])
		}
	}
	if !s.started {
		return nil, errors.New("coaching: the machine never worked")
	}
	s.conclude()
	return &s.Session, nil
}

// byHand takes from the levers that are set from the seat those that an older
// machine has at its side and back.
var byHand = strings.NewReplacer(`"concave", `, "", `"upper_sieve", `, "", `"lower_sieve", `, "")

// tells tells whether a frame carries process data of one of the listed kinds.
func tells(f *canbus.Frame, list []uint16) bool {
	if len(list) == 0 || f.ID>>16&0xFF != 0xCB || f.Len < 4 {
		return false
	}
	return slices.Contains(list, uint16(f.Data[2])|uint16(f.Data[3])<<8)
}

func (s *session) state(m *machine.State) {
	if m.Activity == machine.Cutting {
		v := s.combine.Setting("ground_speed")
		if !s.started {
			s.started, s.speed = true, v
		}
		s.speed += (v - s.speed) * machine.Period.Seconds() / usualS
	}
	s.hear(s.adviser.Step(m, s.events))
	s.events = s.events[:0]
	s.op.step(m.Now)
	if s.adviser.Open() == nil && !s.pending && !s.debt && len(s.op.todo) == 0 && m.Now.Sub(s.last) > quietFor {
		s.finished = true
	}
	s.SpentH = m.Now.Seconds() / 3600
}

// hear takes what the adviser tells.
func (s *session) hear(notes []advise.Note) {
	for i := range notes {
		n := &notes[i]
		switch n.Kind {
		case advise.PromptOpened:
			s.promptOpened(n)
		case advise.PromptClosed:
			s.promptClosed(n)
		case advise.VerdictGiven:
			s.judged(n)
		case advise.CheckAsked:
			s.checkAsked(n)
		case advise.CheckTold:
			s.tell(n.At, '>', "%s", n.Taken.Text)
		case advise.SettingChanged:
			if n.Setting.Why == advise.ByOwn && n.Setting.Lever != "ground_speed" {
				s.tell(n.At, '.', "%s changed from %v to %v, by himself", n.Setting.Lever, value(n.Setting.From), value(n.Setting.To))
			}
		case advise.NothingMore, advise.WorkedBefore:
			s.tell(n.At, '.', "%s", n.Remark.Text)
			s.mark(n.At)
		}
	}
}

func (s *session) mark(at signal.Instant) {
	s.last = at
	s.NeededH = at.Seconds() / 3600
}

func (s *session) tell(at signal.Instant, mark byte, format string, args ...any) {
	s.Lines = append(s.Lines, Line{at, mark, fmt.Sprintf(format, args...)})
}

func (s *session) promptOpened(n *advise.Note) {
	p := n.Prompt
	s.mark(n.At)
	if p.Back {
		s.Backs++
	} else {
		s.Prompts++
	}
	text := p.Head + ". " + p.Reason
	for _, more := range []string{p.Risk, p.Caution, p.Limit} {
		if more != "" {
			text += " " + more
		}
	}
	s.tell(n.At, '?', "%s", text)
	if s.atFirst == nil {
		s.atFirst = s.settings()
	}
	id := p.ID
	s.op.later(n.At.Add(s.op.reaction()), func() {
		open := s.adviser.Open()
		if open == nil || open.ID != id {
			return
		}
		s.begin(open)
		if open.Stopped && byHandTakes[open.Lever] > 0 {
			s.combine.Stay(byHandTakes[open.Lever].Seconds())
		}
		answer := s.op.obey(open)
		s.hear(s.adviser.Answer(answer))
	})
}

func (s *session) promptClosed(n *advise.Note) {
	p := n.Prompt
	s.tell(n.At, '>', "(%s)", p.Closed)
	if p.Back {
		s.debt = false
	}
	if p.Closed != advise.ClosedDone {
		s.trial = nil
		return
	}
	if !p.Back {
		s.pending = true
		if p.Check != "" {
			s.op.later(n.At.Add(lookAfter), func() { s.combine.Stay(20) })
		}
	}
}

func (s *session) checkAsked(n *advise.Note) {
	w := n.Check
	s.Checks++
	s.tell(n.At, '?', "%s (%s)", w.Text, w.Why)
	takes := sampleTakes
	if w.Check == advise.GroundCheck {
		takes = countTakes
	}
	s.op.later(s.op.stays(n.At, takes), func() {
		var c advise.Check
		switch w.Check {
		case advise.TankCheck:
			c.Tank = s.op.tank()
		case advise.ReturnsCheck:
			c.Returns = s.op.returns()
		case advise.GroundCheck:
			c = s.op.ground()
		}
		s.hear(s.adviser.Check(c))
	})
}

func value(v *float64) any {
	if v == nil {
		return "?"
	}
	return *v
}
