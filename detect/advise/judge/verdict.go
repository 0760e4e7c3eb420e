package judge

import "fmt"

import "math"

// Outcome is what a comparison found.
type Outcome uint8

// The outcomes.
const (
	CouldNotJudge Outcome = iota
	NoClearChange
	Better
	Worse
)

func (o Outcome) String() string {
	switch o {
	case Better:
		return "better"
	case Worse:
		return "worse"
	case NoClearChange:
		return "no clear change"
	}
	return "could not judge"
}

// Criteria say how to judge. The zero Criteria are the usual ones.
type Criteria struct {
	// HigherIsBetter is for levels such as the fullness of the machine.
	HigherIsBetter bool
	// OfFeed is for changes whose way it is to change feed or speed: those are
	// compared as they are, and need not be alike.
	OfFeed bool
	// Top is where the level's sensor ends, 100 for a relative level; 0 if it has
	// no end. A level at its end carries no news.
	Top float64
	// Alpha is the chance of a verdict where nothing has changed; 0 is 0.01.
	Alpha float64
	// Steep is within what powers of the feed the level may be, for windows that
	// cannot tell; none is -1 to 5: losses grow with the second to fifth power,
	// broken grain falls.
	Steep [2]float64
	// Say tells a number with its unit in Verdict.Why; nil is metric.
	Say func(v float64, unit string) (value, in string)
	// WorthPct is the fall that is worth knowing of, in percent; 0 is 40.
	WorthPct float64
}

func (c Criteria) usual() Criteria {
	if c.Alpha == 0 {
		c.Alpha = 0.01
	}
	if c.WorthPct == 0 {
		c.WorthPct = 40
	}
	if c.Say == nil {
		c.Say = metric
	}
	if c.Steep == [2]float64{} {
		c.Steep = [2]float64{-1, 5}
	}
	return c
}

func metric(v float64, unit string) (value, in string) {
	if unit == "km/h" {
		return fmt.Sprintf("%.1f", v), unit
	}
	return fmt.Sprintf("%.0f", v), unit
}

// fromTo says how something went, in the units of whoever reads it.
func (c *Criteria) fromTo(what string, pair [2]float64, unit string) string {
	from, _ := c.Say(pair[0], unit)
	to, in := c.Say(pair[1], unit)
	return fmt.Sprintf("%s went from %s to %s %s", what, from, to, in)
}

// Level is what became of one level.
type Level struct {
	Outcome Outcome
	// Before and After are its means at the same feed, in its own unit, with what
	// it drifts by itself taken off After.
	Before, After float64
	// ChangePct is the change in percent of Before; the truth lies within LowPct
	// and HighPct with a chance of 95 %. HighPct is infinite if Before may as
	// well be nothing. It may leave out 0 and yet there is no clear change: a
	// verdict wants more than that.
	ChangePct, LowPct, HighPct float64
	// SureLowPct and SureHighPct are the same at the level of the verdict,
	// Criteria.Alpha: they leave out 0 if, and only if, there is a clear change.
	SureLowPct, SureHighPct float64
	// AtLeast: one of the levels is at the end of its sensor, or the feed was not
	// the same, and the change is at least so large.
	AtLeast bool
	// ResolvablePct is the smallest change that windows like these tell in nine
	// cases of ten.
	ResolvablePct float64
}

// SideVerdict is what became of a level that was only watched. Lower is better.
type SideVerdict struct {
	Known bool // in both windows
	Level
}

// Verdict is the result of a comparison.
type Verdict struct {
	Level        // of the symptom
	Why   string // for CouldNotJudge: a clause
	Sides [MaxSides]SideVerdict
	// More is true if a longer window after the change could well tell what this
	// one does not.
	More bool
}

// judged is the outcome for two means.
func judged(before, after mean, c Criteria) Level {
	d := difference(before, after)
	l := Level{
		Outcome: NoClearChange, Before: before.value, After: after.value,
		ChangePct:     100 * d.value / before.value,
		ResolvablePct: 100 * resolvable(d, c.Alpha) / before.value,
	}
	low, high, ok := ratio(before, after, student(0.05, d.df))
	l.LowPct, l.HighPct = 100*(max(low, 0)-1), 100*(high-1)
	sureLow, sureHigh, _ := ratio(before, after, student(c.Alpha, d.df))
	l.SureLowPct, l.SureHighPct = 100*(max(sureLow, 0)-1), 100*(sureHigh-1)
	if ok && d.p() < c.Alpha {
		l.Outcome = Better
		if (d.value > 0) != c.HigherIsBetter {
			l.Outcome = Worse
		}
	}
	return l
}

// resolvable is the true difference that is told in nine cases of ten. The
// errors being estimates themselves makes that noncentral t; this is its normal
// approximation (Abramowitz and Stegun 26.7.10).
func resolvable(d mean, alpha float64) float64 {
	const nineOfTen = 1.2815515655446004 // of the normal distribution
	t := student(alpha, d.df)
	return d.se * (t*(1-1/(4*d.df)) + nineOfTen*math.Sqrt(1+t*t/(2*d.df)))
}
