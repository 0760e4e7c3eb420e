package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"chaffinch/detect/advise/count"
)

const lossSchema = 1

// lossAnswer is what comes of a count, in metric units. What is not known is
// null.
type lossAnswer struct {
	Schema          int         `json:"schema"`
	Crop            string      `json:"crop,omitempty"`
	ThousandKernelG float64     `json:"thousand_kernel_g"`
	Concentration   float64     `json:"concentration"` // of what the rear drops, on its band
	Patchy          float64     `json:"patchy"`        // how many times more places differed than by chance
	PreHarvest      *lossPart   `json:"pre_harvest"`
	Header          *lossPart   `json:"header"`
	Machine         *lossPart   `json:"machine"`
	Harvest         *lossPart   `json:"header_and_machine"`
	Total           *lossPart   `json:"total"`
	TargetPct       *float64    `json:"target_pct"`
	Against         string      `json:"against_target,omitempty"` // within, over, unsure
	Change          *lossChange `json:"change,omitempty"`
}

// lossPart is a part of it; errors are standard errors of counting.
type lossPart struct {
	KgHa    float64  `json:"kg_ha"`
	SE      float64  `json:"se_kg_ha"`
	Pct     *float64 `json:"share_pct"` // of the crop: harvested and lost
	PctSE   *float64 `json:"se_share_pct"`
	PerHa   *float64 `json:"money_per_ha"`
	PerHour *float64 `json:"money_per_hour"`
	TH      *float64 `json:"t_per_hour"`
	Kernels int      `json:"kernels"`
	Enough  bool     `json:"enough"`
}

// lossChange is against an earlier count.
type lossChange struct {
	Of            string  `json:"of"`
	Outcome       string  `json:"outcome"` // less, more, no clear change, too few kernels
	Pct           float64 `json:"pct"`
	LowPct        float64 `json:"low_pct"`
	HighPct       float64 `json:"high_pct"`
	ResolvablePct float64 `json:"resolvable_pct"`
	Why           string  `json:"why,omitempty"`
}

// deviations95 is how many standard errors 95 % of chance lie within.
const deviations95 = 1.96

func newLossAnswer(q question, r *count.Result) *lossAnswer {
	part := func(p count.Part) *lossPart {
		if !p.Known {
			return nil
		}
		l := &lossPart{KgHa: p.KgHa, SE: p.SE, Kernels: p.Kernels, Enough: p.Enough}
		if q.YieldTHa > 0 {
			l.Pct, l.PctSE = &p.Pct, &p.PctSE
		}
		if q.PricePerT > 0 {
			l.PerHa = &p.PerHa
		}
		if q.AreaRateHaH > 0 {
			flow := count.TonnesPerHour(q.AreaRateHaH, p.KgHa)
			l.TH = &flow
			if q.PricePerT > 0 {
				l.PerHour = &p.PerHour
			}
		}
		return l
	}
	a := &lossAnswer{Schema: lossSchema, Crop: q.crop, ThousandKernelG: q.ThousandKernelG, Concentration: r.Concentration, Patchy: r.Patchy,
		PreHarvest: part(r.PreHarvest), Header: part(r.Header), Machine: part(r.Machine), Harvest: part(r.Harvest), Total: part(r.Total)}
	if q.targetPct > 0 {
		a.TargetPct = &q.targetPct
	}
	if p := a.judged(); p != nil && p.Pct != nil && a.TargetPct != nil {
		wide := deviations95 * *p.PctSE
		switch {
		case *p.Pct-wide > *a.TargetPct:
			a.Against = "over"
		case p == a.Machine: // the header's is not in it
		case *p.Pct+wide < *a.TargetPct:
			a.Against = "within"
		default:
			a.Against = "unsure"
		}
	}
	return a
}

// judged is the part that is put against the target, which is of header and
// machine together. Without a count in the standing crop it is the total, which
// is more; of a pan alone it is the machine's loss, which can only show that it
// is over.
func (a *lossAnswer) judged() *lossPart {
	switch {
	case a.Harvest != nil:
		return a.Harvest
	case a.Total != nil:
		return a.Total
	}
	return a.Machine
}

// compare puts a against an earlier count: of the last part that both have.
func (a *lossAnswer) compare(before *lossAnswer) {
	back := func(p *lossPart) count.Part {
		if p == nil {
			return count.Part{}
		}
		return count.Part{Known: true, KgHa: p.KgHa, SE: p.SE, Kernels: p.Kernels, Enough: p.Enough}
	}
	a.Change = &lossChange{Outcome: "not comparable", Why: "the two counts have no part in common"}
	for _, c := range []struct {
		name          string
		before, after *lossPart
	}{{"machine", before.Machine, a.Machine}, {"header and machine", before.Harvest, a.Harvest}, {"all", before.Total, a.Total}, {"header", before.Header, a.Header}} {
		if c.before == nil || c.after == nil {
			continue
		}
		d := count.Compare(back(c.before), back(c.after))
		a.Change = &lossChange{Of: c.name, Outcome: "no clear change", Pct: d.Pct, LowPct: d.LowPct, HighPct: d.HighPct, ResolvablePct: d.ResolvablePct, Why: d.Why}
		switch {
		case d.Why != "":
			a.Change.Outcome = "too few kernels"
		case d.Clear && d.KgHa < 0:
			a.Change.Outcome = "less"
		case d.Clear:
			a.Change.Outcome = "more"
		}
		return
	}
}

// write is the answer as it is read in a cab.
func (a *lossAnswer) write(w io.Writer, u lossUnits) error {
	var b strings.Builder
	crop := "kernels"
	if a.Crop != "" {
		crop = a.Crop
	}
	fmt.Fprintf(&b, "%s of %.3g g a thousand", crop, a.ThousandKernelG)
	if a.Concentration != 1 {
		fmt.Fprintf(&b, "; what the rear drops lies %.1f times as dense", a.Concentration)
	}
	fmt.Fprintf(&b, "\n\n%-20s %14s %14s %12s %10s %10s\n", "lost", u.lossName, "% of crop", "money/"+u.landName, "money/h", "kernels")
	for _, line := range []struct {
		name string
		part *lossPart
	}{{"before harvest", a.PreHarvest}, {"header", a.Header}, {"machine", a.Machine}, {"header and machine", a.Harvest}, {"all", a.Total}} {
		p := line.part
		if p == nil {
			continue
		}
		pct := "-"
		if p.Pct != nil {
			pct = plusMinus(*p.Pct, deviations95**p.PctSE)
		}
		perLand := p.PerHa
		if perLand != nil {
			v := *perLand * u.areaH
			perLand = &v
		}
		fmt.Fprintf(&b, "%-20s %14s %14s %12s %10s %10d\n", line.name, plusMinus(p.KgHa/u.lossKgHa, deviations95*p.SE/u.lossKgHa), pct, money(perLand), money(p.PerHour), p.Kernels)
	}
	b.WriteString("\n± is the error of counting (95 %)")
	if a.Patchy > 1.2 {
		fmt.Fprintf(&b, "; kernels lay patchily, up to %.1f times beyond chance", a.Patchy)
	}
	b.WriteString(".\n")
	for _, hint := range a.hints() {
		b.WriteString(hint + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// hints say what it means, and what is missing.
func (a *lossAnswer) hints() (all []string) {
	say := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	what := "Header and machine lose"
	switch {
	case a.Harvest == nil && a.Total == nil:
		what = "The machine alone loses"
	case a.Harvest == nil:
		what = "What lies there, some of it from before harvest, is"
	}
	switch p := a.judged(); {
	case a.Against == "over":
		say("%s %s %% of the crop: over the %g %% that is acceptable.", what, plusMinus(*p.Pct, deviations95**p.PctSE), *a.TargetPct)
	case a.Against == "within":
		say("%s %s %% of the crop: within the %g %% that is acceptable.", what, plusMinus(*p.Pct, deviations95**p.PctSE), *a.TargetPct)
	case a.Against == "unsure":
		say("%s %s %% of the crop: too near to the %g %% that is acceptable to tell. Count more.", what, plusMinus(*p.Pct, deviations95**p.PctSE), *a.TargetPct)
	case a.TargetPct != nil && p != nil && p.Pct == nil:
		say("Give --yield to see it as a share of the crop, against the %g %% that is acceptable.", *a.TargetPct)
	}
	switch {
	case a.Total == nil && a.Machine == nil:
		say("The machine's loss is not known: count behind it (--behind) and where only the header has passed (--header), or use a pan (--pan).")
	case a.Total == nil:
		say("The header's loss is not known: count where only the header has passed (--header) and in the standing crop (--standing).")
	case a.Header == nil && a.Machine == nil:
		say("Header and machine cannot be told apart: count where only the header has passed (--header) and in the standing crop (--standing).")
	case a.Header == nil:
		say("Header loss and what fell before harvest cannot be told apart: count in the standing crop (--standing).")
	}
	for _, p := range []*lossPart{a.Total, a.Machine} {
		if p != nil && !p.Enough {
			say("Only %d kernels were counted: with %d a count is worth comparing.", p.Kernels, count.EnoughKernels)
			break
		}
	}
	if c := a.Change; c != nil {
		switch of := c.Of; {
		case c.Outcome == "more" && c.ResolvablePct == 0:
			say("Against the earlier count: more is lost of %s, of which next to nothing was found then.", of)
		case c.Outcome == "no clear change" && c.ResolvablePct == 0:
			say("Against the earlier count: no clear change of %s, of which next to nothing was found then.", of)
		case c.Outcome == "less", c.Outcome == "more":
			say("Against the earlier count: %s of %s, by %.0f %% (%.0f to %.0f).", map[string]string{"less": "less is lost", "more": "more is lost"}[c.Outcome], of, math.Abs(c.Pct), c.LowPct, c.HighPct)
		case c.Outcome == "no clear change":
			say("Against the earlier count: no clear change of %s (%+.0f %%, %.0f to %.0f); such counts tell changes over %.0f %%.", of, c.Pct, c.LowPct, c.HighPct, c.ResolvablePct)
		default:
			say("Against the earlier count: nothing can be said, %s.", c.Why)
		}
	}
	return all
}

// plusMinus shows a number with as many digits as its error deserves.
func plusMinus(v, wide float64) string {
	digits := 0
	if wide > 0 {
		digits = min(max(int(1-math.Floor(math.Log10(wide))), 0), 2)
	}
	return fmt.Sprintf("%.*f ± %.*f", digits, v, digits, wide)
}

func money(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.2f", *v)
}
