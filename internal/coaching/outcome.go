package coaching

import (
	"chaffinch/canbus/virtual"
)

// How near is near enough. A level counts as within its target as the adviser
// counts it, within a tenth of what its sensor shows; what is only looked at or
// counted, within a quarter. Costs are in percent of the worth of the crop.
const (
	shownSlack   = 1.10
	lookedSlack  = 1.25
	nearBestPct  = 1.0
	costNoisePct = 0.1
)

// conclude works out what has come of the session.
func (s *session) conclude() {
	if s.atFirst == nil {
		s.atFirst = s.settings()
	}
	ended := s.settings()
	if !s.op.holds { // then it is as the operator likes it, and the crop has it
		s.atFirst["ground_speed"] = ended["ground_speed"]
	}
	k := s.combine.Condition()
	s.Target, s.TargetLossPct = k.Target, k.TargetLossPct
	s.Begun = s.would(s.atFirst)
	s.Ended = s.would(ended)
	s.Best.Settings, s.Best.Levels, s.Best.CostPct = s.combine.Best(s.Scenario.Limits)
	s.Over = over(&s.Ended.Levels, &s.Target)
	s.OverAtFirst = over(&s.Begun.Levels, &s.Target)
	s.Left = s.adviser.Wrong()
}

func (s *session) would(settings map[string]float64) State {
	levels, cost := s.combine.Would(settings)
	return State{Settings: settings, Levels: levels, CostPct: cost}
}

// over lists the levels that are over their target.
func over(l, target *virtual.Levels) []string {
	var names []string
	for _, t := range told {
		if l.Shown(t.signal) > shownSlack*target.Shown(t.signal) {
			names = append(names, t.symptom)
		}
	}
	if l.HeaderPct > lookedSlack*target.HeaderPct {
		names = append(names, "header-loss")
	}
	if l.Unthreshed > lookedSlack*target.Unthreshed {
		names = append(names, "unthreshed")
	}
	return names
}

// Reached tells whether all targets are reached, or the best that there is.
func (s *Session) Reached() bool { return len(s.Over) == 0 || s.NearBest() }

// NearBest tells whether hardly anything is left to gain.
func (s *Session) NearBest() bool { return s.Ended.CostPct <= s.Best.CostPct+nearBestPct }

// Worse tells whether the machine was left worse than it was.
func (s *Session) Worse() bool { return s.Ended.CostPct > s.Begun.CostPct+costNoisePct }

// EndedByItself tells whether the adviser had come to an end: within the session
// it had had nothing to ask for the last hour and more.
func (s *Session) EndedByItself() bool { return s.SpentH-s.NeededH >= quietFor.Hours()-0.01 }
