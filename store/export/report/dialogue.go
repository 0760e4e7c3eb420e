package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"chaffinch/detect/advise"
	"chaffinch/store/export"
)

// dialogue is what was proposed, done and found, in the order of the store.
func (r *report) dialogue(s *export.Source, p export.Part) error {
	type placed struct {
		turn
		boot   uint64
		seq    uint64
		head   string // of a proposal, without its reason
		reason string
		told   string // by a verdict, as it was told
	}
	var all []placed
	for q, err := range s.Prompts(p) {
		if err != nil {
			return err
		}
		text := q.Head
		if q.Reason != "" {
			text += ". " + q.Reason
		}
		outcome := "still open at the end"
		if q.Closed != "" {
			outcome = advise.ClosedWords(q.Closed)
		}
		all = append(all, placed{turn: turn{At: q.Opened, Who: "proposed", Text: text, Outcome: outcome}, boot: uint64(q.First.Key.Boot), seq: q.First.Key.Seq, head: q.Head + ".", reason: q.Reason})
	}
	for v, err := range s.Verdicts(p) {
		if err != nil {
			return err
		}
		all = append(all, placed{turn: turn{At: v.Judged, Who: "found", Text: v.Text}, boot: uint64(v.Record.Key.Boot), seq: v.Record.Key.Seq, told: v.Text})
	}
	for c, err := range s.Settings(p) {
		if err != nil {
			return err
		}
		if c.Prompt != "" || c.From == nil || c.To == nil || c.Lever == "ground_speed" {
			continue // ground speed changes all the time; the curve of the feed tells
		}
		text := fmt.Sprintf("%s from %s to %s %s", strings.ReplaceAll(c.Lever, "_", " "), number(*c.From), number(*c.To), c.Unit)
		all = append(all, placed{turn: turn{At: c.Changed, Who: "changed", Text: text}, boot: uint64(c.Record.Key.Boot), seq: c.Record.Key.Seq})
	}
	slices.SortStableFunc(all, func(a, b placed) int {
		return cmp.Or(cmp.Compare(a.boot, b.boot), cmp.Compare(a.seq, b.seq))
	})
	verdict := ""
	for _, t := range all {
		if t.told != "" {
			verdict = t.told
		} else if t.reason != "" && t.reason == verdict {
			t.Text = t.head // its reason stands just above
		}
		r.Dialogue = append(r.Dialogue, t.turn)
	}
	for c, err := range s.Checks(p) {
		if err != nil {
			return err
		}
		if c.Phase != "told" {
			continue
		}
		t := told{Text: c.Text}
		if !c.Record.Date.IsZero() {
			t.At = &c.Record.Date
		}
		t.Text += r.ground(c)
		r.Checks = append(r.Checks, t)
	}
	return nil
}

// ground is what was counted on the ground.
func (r *report) ground(c *export.Check) (text string) {
	g := c.Ground
	if g == nil {
		return ""
	}
	say := func(kgHa, se *float64, of string) {
		if kgHa == nil {
			return
		}
		v, unit := inUnits(r.Units, *kgHa, "kg/ha")
		text += fmt.Sprintf(" %s %s %s", of, number(v), unit)
		if se != nil {
			e, _ := inUnits(r.Units, *se, "kg/ha")
			text += " ± " + number(e)
		}
		text += "."
	}
	say(g.MachineKgHa, g.MachineSE, "Behind the machine:")
	say(g.HeaderKgHa, g.HeaderSE, "From the header:")
	if text != "" {
		text += fmt.Sprintf(" From %s.", plural(g.Kernels, "kernel"))
		if !g.Enough {
			text += " That is too few to rely on."
		}
	}
	return text
}
