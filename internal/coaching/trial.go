package coaching

import (
	"math"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
	"chaffinch/detect/advise/judge"
	"chaffinch/detect/advise/knowledge"
)

// Trial is a change that was judged.
type Trial struct {
	At        signal.Instant
	Symptom   string
	Lever     string
	Direction string
	Outcome   string
	By        string // sensor, sample, count
	PutBack   bool
	Side      bool // another level was said to have come out worse
	// TruePct is by how much the sensor's level truly changed in steady work, in
	// percent; not a number where no sensor shows it, or where it was the feed
	// that was meant to change.
	TruePct float64
	// ToldPct is what the verdict said.
	ToldPct float64
	Text    string // of the verdict

	before map[string]float64
}

// shownBy are the signals that show a symptom.
var shownBy = map[string]string{
	knowledge.SeparationLoss: "separation_loss_pct", knowledge.CleaningLoss: "cleaning_loss_pct", knowledge.Returns: "returns_pct",
	knowledge.BrokenGrain: "broken_grain_pct", knowledge.Trash: "trash_pct",
}

// begin keeps the settings of before what a prompt asks for.
func (s *session) begin(p *advise.Prompt) {
	s.trial = nil
	if !p.Back {
		s.trial = &Trial{Symptom: p.Symptom, Lever: p.Lever, Direction: p.Direction, before: s.settings()}
	}
}

// judged takes a verdict.
func (s *session) judged(n *advise.Note) {
	v := n.Verdict
	s.mark(n.At)
	s.tell(n.At, '=', "%s", v.Text)
	s.pending, s.debt = false, v.PutBack
	if v.Lever == "ground_speed" && !v.PutBack && (v.Symptom == knowledge.SpareCapacity || v.Outcome == judge.CouldNotJudge.String()) {
		s.op.free()
	}
	t := s.trial
	if s.trial = nil; t == nil || v.Prompt == 0 {
		return
	}
	t.At, t.Outcome, t.By, t.PutBack, t.TruePct, t.ToldPct = n.At, v.Outcome, v.By, v.PutBack, math.NaN(), math.NaN()
	t.Side, t.Text = v.Side != "", v.Text
	if v.ChangePct != nil {
		t.ToldPct = *v.ChangePct
	}
	if signal, ok := shownBy[t.Symptom]; ok && v.By == advise.BySensor {
		now := s.settings()
		if t.Lever != "ground_speed" { // the crop's doing
			t.before["ground_speed"] = now["ground_speed"]
		}
		was, _ := s.combine.Would(t.before)
		is, _ := s.combine.Would(now)
		t.TruePct = 100 * (is.Shown(signal)/was.Shown(signal) - 1)
	}
	s.Trials = append(s.Trials, *t)
}

// settings are those of now, with the ground speed that is usual of late.
func (s *session) settings() map[string]float64 {
	list := s.combine.Condition().Settings
	list["ground_speed"] = s.speed
	return list
}
