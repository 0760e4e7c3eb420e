package advise

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"chaffinch/detect/advise/judge"
)

// mostWords of a prompt's head.
const mostWords = 12

func capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToUpper(first)) + s[size:]
}

// head keeps the one line that can be read while driving short.
func head(s string) string {
	words := strings.Fields(s)
	return strings.Join(words[:min(len(words), mostWords)], " ")
}

func (a *Adviser) symptomWords(i int) string {
	if s := a.facts.Knowledge.SymptomNamed(symptoms[i].name); s != nil && s.Words != "" {
		return s.Words
	}
	return strings.ReplaceAll(symptoms[i].name, "-", " ")
}

// wordMove words a prompt for a move.
func (a *Adviser) wordMove(p *Prompt, c *choice) {
	m, r := c.m, c.reach
	by := m.lever.StepWords
	if r.known {
		by = fmt.Sprintf("from %s to %s", a.plain(r.from, m.lever.Unit), a.setting(r.to, m.lever.Unit))
	} else if r.by > 0 {
		by = "by " + a.setting(r.by, m.lever.Unit)
	}
	w := a.facts.Knowledge.Prompt(m.Move, by, m.stopped)
	p.Head = head(w.Head)
	p.Reason = a.evidence(c.of) + ": " + uncapital(w.Reason)
	if m.Say != "" && r.known {
		p.Reason += fmt.Sprintf(" From %s to %s.", a.plain(r.from, m.lever.Unit), a.setting(r.to, m.lever.Unit))
	}
	if best, ok := a.bestOf(m.lever.Name); ok && r.known && best == r.to {
		p.Reason += fmt.Sprintf(" %s worked before%s.", a.setting(best, m.lever.Unit), a.atMoisture())
	}
	if a.trial.passing {
		p.Reason += " Drive as before once it has passed."
	}
	p.Risk = w.Risk
	p.Caution = strings.Join(w.Cautions, " ")
	if c.held != nil {
		p.Limit = a.limitWords(c.of, c.held, c.limit)
	}
}

func uncapital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if size == 0 {
		return s
	}
	return string(unicode.ToLower(first)) + s[size:]
}

// evidence says in a clause how a symptom is known, with numbers.
func (a *Adviser) evidence(i int) string {
	t, info := &a.symptoms[i], &symptoms[i]
	words := capital(a.symptomWords(i))
	switch {
	case i == spareCapacity:
		if a.around.fullN > 0 {
			return fmt.Sprintf("For minutes the machine has been only %.0f %% full", a.around.room)
		}
		return "The machine has room for more crop"
	case i == rotorSag:
		return "The rotor was slowed down by the crop"
	case i == engineLoad && a.around.loadN > 0:
		return fmt.Sprintf("Engine load is %.0f %%", a.around.load)
	case t.seconds > 0 && info.signal:
		s := fmt.Sprintf("%s %s %.0f of 100", words, isOrAre(words), t.lasting)
		if t.sudden > 0 {
			s = fmt.Sprintf("%s rose suddenly to %.0f of 100", words, t.fast)
		}
		if t.basis != "" {
			s += fmt.Sprintf(", target %.0f", t.target)
		}
		if feed, ok := a.work.meanFeed(60); ok {
			s += ", at " + a.setting(feed, "t/h")
		}
		return s
	case info.check == GroundCheck && t.loss > 0:
		return fmt.Sprintf("%s was %s by your count", words, a.setting(t.loss, "kg/ha"))
	case t.checked():
		return fmt.Sprintf("Your sample showed %s (%s)", a.symptomWords(i), t.said)
	}
	return words + " " + isOrAre(words) + " high"
}

// isOrAre is the verb for a symptom: returns are, a loss is.
func isOrAre(words string) string {
	if strings.HasSuffix(words, "s") && !strings.HasSuffix(words, "ss") {
		return "are"
	}
	return "is"
}

// limitWords tell a limit of the owner's and what it costs, as far as that is
// known.
func (a *Adviser) limitWords(of int, m *move, limit float64) string {
	s := fmt.Sprintf("Your %s limit for %s stops the next move", a.setting(limit, m.lever.Unit), m.lever.Words)
	if feed, ok := a.feedAtTarget(of); ok {
		return s + fmt.Sprintf("; it holds you near %s.", a.setting(feed, "t/h"))
	}
	return s + "; what that costs is not known yet."
}

// wordBack words a prompt that puts a change back.
func (a *Adviser) wordBack(p *Prompt, d *debt) {
	p.Head = "Put the " + d.lever.Words + " back"
	if d.known {
		p.Head += " to " + a.setting(d.from, d.lever.Unit)
	} else if d.by > 0 {
		p.Head += " by " + a.setting(d.by, d.lever.Unit)
	}
	p.Head = head(p.Head)
	p.Reason = d.reason
	if p.Stopped {
		if c := a.facts.Knowledge.CautionNamed(d.lever.Caution); c != nil {
			p.Caution = c.Words
		}
	}
}

// tellingPct is the widest interval of a change, in percent of the level before, whose
// figures say anything to a reader: from half to one and a half times.
const tellingPct = 100

// wordVerdict says in one sentence what came of a change.
func (a *Adviser) wordVerdict(said *Verdict, v *judge.Verdict, side int, over bool) {
	of := a.trial.of
	words := "it"
	if of >= 0 {
		words = a.symptomWords(of)
	}
	switch {
	case v.Outcome == judge.CouldNotJudge:
		said.Text = "Could not judge: " + v.Why + "."
	case of == spareCapacity && v.Outcome != judge.Worse:
		said.Text = fmt.Sprintf("%s: ground speed went from %s to %s", capital(v.Outcome.String()), a.plain(v.Before, "km/h"), a.setting(v.After, "km/h"))
		if side < 0 {
			said.Text += ", and no loss that is heard came out clearly worse"
		}
		said.Text += "."
	case of == rotorSag:
		said.Text = "No clear change: the rotor was slowed down again."
	case v.Outcome == judge.NoClearChange && !(v.SureHighPct-v.SureLowPct <= tellingPct):
		said.Text = fmt.Sprintf("No clear change: %s varied too much to tell.", words)
	case v.Outcome == judge.NoClearChange:
		said.Text = fmt.Sprintf("No clear change: %s %s %% (%s); under %.0f %% cannot be told in %.0f s.",
			words, signed(v.ChangePct), interval(v), v.ResolvablePct, said.JudgedS)
	default:
		verb := "fell"
		if v.ChangePct > 0 {
			verb = "rose"
		}
		said.Text = fmt.Sprintf("%s: %s %s by %s%.0f %% (%s)", capital(v.Outcome.String()), words, verb, atLeast(v), math.Abs(v.ChangePct), sureOf(v))
		if !a.trial.changesFeed() {
			said.Text += " at the same feed"
		}
		said.Text += "."
	}
	if side >= 0 {
		said.Text = strings.TrimSuffix(said.Text, ".")
		said.Text += fmt.Sprintf(", but %s came out worse", a.symptomWords(side))
		if over {
			said.Text += " and over its target"
		}
		said.Text += "."
	}
}

func atLeast(v *judge.Verdict) string {
	if v.AtLeast {
		return "at least "
	}
	return ""
}

// sureOf is between which sizes a fall or a rise surely lies.
func sureOf(v *judge.Verdict) string {
	low, high := v.SureLowPct, v.SureHighPct
	if v.ChangePct < 0 {
		low, high = -high, -low
	}
	low, high = max(0, math.Round(low)), math.Round(high)
	switch {
	case !finite(high):
		return fmt.Sprintf("%.0f or more", low)
	case !finite(low):
		return fmt.Sprintf("up to %.0f", high)
	}
	return fmt.Sprintf("%.0f to %.0f", low, high)
}

func interval(v *judge.Verdict) string {
	high := "?"
	if finite(v.SureHighPct) {
		high = signed(v.SureHighPct)
	}
	return signed(v.SureLowPct) + " to " + high
}

// signed is a whole number with its sign: there is no -0.
func signed(v float64) string {
	if v = math.Round(v); v == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.0f", v)
}

// wordSample says what a check told of a change.
func (a *Adviser) wordSample(said *Verdict, c *checkedTrial) {
	words := a.symptomWords(a.trial.of)
	switch {
	case c.Outcome == judge.CouldNotJudge:
		said.Text = "Could not judge: " + c.why + "."
	case c.before == c.after:
		said.Text = fmt.Sprintf("%s: %s, %s as before.", capital(c.Outcome.String()), words, c.after)
	default:
		said.Text = fmt.Sprintf("%s: %s, %s before, %s now", capital(c.Outcome.String()), words, c.before, c.after)
		if c.Outcome == judge.NoClearChange {
			said.Text += "; that may be chance"
			if c.lower {
				said.Text += ", so it stays as it is"
			}
		}
		said.Text += "."
	}
}

// nothingMore tells once per symptom and condition that settings have nothing
// more to give.
func (a *Adviser) nothingMore(of int, held *move, limit float64, look, wait string) {
	key := a.condKey()
	t := &a.symptoms[of]
	moist, known := a.moisture()
	if t.exhausted && t.toldIn.crop == key.crop && !(known && math.Abs(moist-t.toldMoist) >= weatherMoves) {
		return
	}
	t.exhausted, t.toldIn, t.toldMoist = true, key, math.NaN()
	if known {
		t.toldMoist = moist
	}
	text := fmt.Sprintf("Nothing more to gain by setting against %s", a.symptomWords(of))
	if of == spareCapacity {
		text = "Nothing more to gain by driving faster"
	}
	if wait != "" {
		text += ": " + uncapital(wait)
	}
	text += "."
	if look != "" {
		text += fmt.Sprintf(" At the next stop look at %s.", look)
	}
	if held != nil {
		text += " " + a.limitWords(of, held, limit)
	}
	a.note(Note{Kind: NothingMore, Remark: &Remark{Symptom: symptoms[of].name, Text: text}})
}

func (a *Adviser) atMoisture() string {
	if m, ok := a.moisture(); ok {
		return fmt.Sprintf(" at %.0f %% moisture", m)
	}
	return ""
}
