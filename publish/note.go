package publish

import (
	"math"
	"strconv"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
)

// AppendNoteMessage appends the payload of what the adviser tells, for the
// topics prompt, verdict, check and note: the envelope and the object. Seq is
// of the same count as that of event messages.
func AppendNoteMessage(dst []byte, seq uint64, n *advise.Note, times Clock) []byte {
	dst = appendEnvelope(dst, 'm', seq, n.At, times)
	switch n.Kind {
	case advise.PromptOpened:
		dst = append(dst, `,"phase":"opened","prompt":`...)
		dst = appendPrompt(dst, n.Prompt, times)
	case advise.PromptClosed:
		dst = append(dst, `,"phase":"closed","prompt":`...)
		dst = appendPrompt(dst, n.Prompt, times)
	case advise.VerdictGiven:
		dst = append(dst, `,"verdict":`...)
		dst = appendVerdict(dst, n.Verdict, times)
	case advise.CheckAsked:
		dst = append(dst, `,"phase":"asked","check":`...)
		dst = appendWanted(dst, n.Check, times)
	case advise.CheckWithdrawn:
		dst = append(dst, `,"phase":"withdrawn","check":`...)
		dst = appendWanted(dst, n.Check, times)
	case advise.CheckTold:
		dst = append(dst, `,"phase":"told","check":`...)
		dst = appendTaken(dst, n.Taken, times)
	case advise.SettingChanged:
		dst = append(dst, `,"kind":"setting","setting":`...)
		dst = appendSetting(dst, n.Setting, times)
	case advise.TargetsSet:
		dst = append(dst, `,"kind":"targets","targets":`...)
		dst = appendTargets(dst, n.Targets)
	default: // NothingMore, WorkedBefore
		dst = append(dst, `,"kind":`...)
		dst = appendString(dst, n.Kind.String())
		dst = append(dst, `,"remark":`...)
		dst = appendRemark(dst, n.Remark)
	}
	return append(dst, '}')
}

// object appends the members of an object one after another.
type object struct {
	dst  []byte
	more bool
}

func (o *object) key(name string) {
	if o.more {
		o.dst = append(o.dst, ',')
	} else {
		o.dst = append(o.dst, '{')
	}
	o.more = true
	o.dst = appendString(o.dst, name)
	o.dst = append(o.dst, ':')
}

func (o *object) text(name, s string) {
	o.key(name)
	o.dst = appendStringOrNull(o.dst, s)
}

func (o *object) flag(name string, is bool) {
	o.key(name)
	o.dst = strconv.AppendBool(o.dst, is)
}

// number appends a number with two digits after the point at most, or null.
func (o *object) number(name string, v *float64) {
	o.key(name)
	if v == nil || math.IsNaN(*v*100) || math.IsInf(*v*100, 0) { // also what the rounding makes too large
		o.dst = append(o.dst, null...)
		return
	}
	rounded := math.Round(*v*100) / 100
	if rounded == 0 {
		rounded = 0 // no minus sign
	}
	o.dst = strconv.AppendFloat(o.dst, rounded, 'f', -1, 64)
}

func (o *object) date(name string, at signal.Instant, times Clock) {
	o.key(name)
	o.dst = appendDate(o.dst, times, at)
}

// name appends the id of something of this run, or null for number 0.
func (o *object) name(name string, of func(boot, number uint64) string, number uint64, times Clock) {
	if number == 0 {
		o.text(name, "")
		return
	}
	o.text(name, of(times.Boot, number))
}

func (o *object) end() []byte { return append(o.dst, '}') }

func appendPrompt(dst []byte, p *advise.Prompt, times Clock) []byte {
	o := object{dst: dst}
	o.name("id", PromptID, p.ID, times)
	o.text("symptom", p.Symptom)
	o.text("lever", p.Lever)
	o.text("direction", p.Direction)
	o.flag("back", p.Back)
	o.flag("stopped", p.Stopped)
	o.number("from", p.From)
	o.number("to", p.To)
	o.number("by", p.By)
	o.text("unit", p.Unit)
	o.text("head", p.Head)
	o.text("reason", p.Reason)
	o.text("risk", p.Risk)
	o.text("caution", p.Caution)
	o.text("limit", p.Limit)
	o.key("answers")
	o.dst = append(o.dst, '[')
	for i, answer := range p.Answers {
		if i > 0 {
			o.dst = append(o.dst, ',')
		}
		o.dst = appendString(o.dst, answer)
	}
	o.dst = append(o.dst, ']')
	o.date("opened", p.Opened, times)
	o.date("expires", p.Expires, times)
	o.text("closed", p.Closed)
	return o.end()
}

func appendVerdict(dst []byte, v *advise.Verdict, times Clock) []byte {
	o := object{dst: dst}
	o.name("prompt", PromptID, v.Prompt, times)
	o.text("symptom", v.Symptom)
	o.text("lever", v.Lever)
	o.text("direction", v.Direction)
	o.number("from", v.From)
	o.number("to", v.To)
	o.text("unit", v.Unit)
	o.text("outcome", v.Outcome)
	o.text("by", v.By)
	o.number("before", v.Before)
	o.number("after", v.After)
	o.number("change_pct", v.ChangePct)
	o.number("low_pct", v.LowPct)
	o.number("high_pct", v.HighPct)
	o.text("side", v.Side)
	o.flag("put_back", v.PutBack)
	o.text("text", v.Text)
	o.number("settled_s", &v.SettledS)
	o.number("judged_s", &v.JudgedS)
	o.date("changed", v.Changed, times)
	o.date("judged", v.Judged, times)
	return o.end()
}

func appendWanted(dst []byte, c *advise.CheckWanted, times Clock) []byte {
	o := object{dst: dst}
	o.name("id", CheckID, c.ID, times)
	o.text("check", c.Check)
	o.text("why", c.Why)
	o.text("text", c.Text)
	o.name("prompt", PromptID, c.Prompt, times)
	o.date("asked", c.Asked, times)
	return o.end()
}

// appendTaken appends a check that was made; grades and mixes in words.
func appendTaken(dst []byte, c *advise.CheckTaken, times Clock) []byte {
	o := object{dst: dst}
	o.name("id", CheckID, c.ID, times)
	o.text("text", c.Text)
	o.key("tank")
	if t := c.Check.Tank; t != nil {
		in := object{dst: o.dst}
		in.text("broken", gradeWord(t.Broken))
		in.text("trash", gradeWord(t.Trash))
		in.text("unthreshed", gradeWord(t.Unthreshed))
		o.dst = in.end()
	} else {
		o.dst = append(o.dst, null...)
	}
	o.key("returns")
	if r := c.Check.Returns; r != nil {
		in := object{dst: o.dst}
		in.text("mostly", r.Mostly.String())
		o.dst = in.end()
	} else {
		o.dst = append(o.dst, null...)
	}
	o.key("ground")
	if g := c.Check.Ground; g != nil {
		o.dst = appendCounted(o.dst, g)
	} else {
		o.dst = append(o.dst, null...)
	}
	o.key("sees")
	o.dst = append(o.dst, '[')
	for i, s := range c.Check.Sees {
		if i > 0 {
			o.dst = append(o.dst, ',')
		}
		in := object{dst: o.dst}
		in.text("condition", s.Condition)
		in.flag("is", s.Is)
		o.dst = in.end()
	}
	o.dst = append(o.dst, ']')
	o.date("told", c.At, times)
	return o.end()
}

func gradeWord(g advise.Grade) string {
	if g == advise.NotLooked {
		return ""
	}
	return g.String()
}

func appendCounted(dst []byte, g *advise.GroundCount) []byte {
	o := object{dst: dst}
	known := func(v float64, is bool) *float64 {
		if !is {
			return nil
		}
		return &v
	}
	o.number("header_kg_ha", known(g.HeaderKgHa, g.HeaderKnown))
	o.number("header_se_kg_ha", known(g.HeaderSE, g.HeaderKnown))
	o.number("machine_kg_ha", known(g.MachineKgHa, g.MachineKnown))
	o.number("machine_se_kg_ha", known(g.MachineSE, g.MachineKnown))
	o.number("yield_kg_ha", known(g.YieldKgHa, g.YieldKgHa > 0))
	o.key("kernels")
	o.dst = strconv.AppendInt(o.dst, int64(g.Kernels), 10)
	o.flag("enough", g.Enough)
	o.text("unthreshed_behind", gradeWord(g.UnthreshedBehind))
	return o.end()
}

func appendSetting(dst []byte, c *advise.Change, times Clock) []byte {
	o := object{dst: dst}
	o.text("lever", c.Lever)
	o.number("from", c.From)
	o.number("to", c.To)
	o.text("unit", c.Unit)
	o.text("why", c.Why)
	o.name("prompt", PromptID, c.Prompt, times)
	o.flag("seen", c.Seen)
	o.date("changed", c.At, times)
	return o.end()
}

func appendTargets(dst []byte, all []advise.Target) []byte {
	dst = append(dst, '[')
	for i := range all {
		if i > 0 {
			dst = append(dst, ',')
		}
		t := &all[i]
		o := object{dst: dst}
		o.text("symptom", t.Symptom)
		o.text("signal", t.Signal)
		o.text("alarm", t.Alarm)
		o.number("target_pct", &t.TargetPct)
		o.text("basis", t.Basis)
		perPoint := &t.KgHaPerPoint
		if t.KgHaPerPoint == 0 {
			perPoint = nil
		}
		o.number("kg_ha_per_point", perPoint)
		o.number("age_s", &t.AgeS)
		o.flag("stale", t.Stale)
		dst = o.end()
	}
	return append(dst, ']')
}

func appendRemark(dst []byte, r *advise.Remark) []byte {
	if r == nil {
		return append(dst, null...)
	}
	o := object{dst: dst}
	o.text("symptom", r.Symptom)
	o.text("text", r.Text)
	return o.end()
}
