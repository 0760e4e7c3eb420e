package count

import (
	"fmt"
	"math"
)

// Change is one loss against another.
type Change struct {
	// Clear is true if chance makes such a difference in less than 5 % of cases.
	// Without enough kernels nothing is clear; Why says so.
	Clear bool
	Why   string
	KgHa  float64 // after less before
	SE    float64
	// Pct is the change in percent of before; the truth lies within LowPct and
	// HighPct with a chance of 95 %. They are 0 if next to nothing was lost before,
	// less than a tenth of its error.
	Pct, LowPct, HighPct float64
	// ResolvablePct is the change that becomes clear with counts like these.
	ResolvablePct float64
}

// deviations95 is how many standard errors 95 % of chance lie within.
const deviations95 = 1.959963984540054

// Compare puts two counts of the same part against each other: before a change
// and after it. Two counts of a hundred kernels tell no change under 28 %.
func Compare(before, after Part) Change {
	var c Change
	if !before.Known || !after.Known {
		c.Why = "it was not counted both times"
		return c
	}
	c.KgHa, c.SE = after.KgHa-before.KgHa, math.Hypot(before.SE, after.SE)
	if before.KgHa > before.SE/10 && before.KgHa > 0 {
		c.Pct = 100 * c.KgHa / before.KgHa
		c.ResolvablePct = 100 * deviations95 * c.SE / before.KgHa
		// The interval of a ratio of rates, on the logarithm (Rothman, Modern
		// Epidemiology); where nothing was found it is of one standard error.
		a := max(after.KgHa, after.SE)
		wide := math.Exp(deviations95 * math.Hypot(before.SE/before.KgHa, after.SE/a))
		c.LowPct, c.HighPct = 100*(a/before.KgHa/wide-1), 100*(a/before.KgHa*wide-1)
		if after.KgHa <= after.SE {
			c.LowPct = -100
		}
	}
	for _, p := range []Part{before, after} {
		// A count after may be small because little is lost: what must be enough is
		// the larger one's.
		if p.KgHa >= max(before.KgHa, after.KgHa) && !p.Enough {
			c.Why = fmt.Sprintf("only %d kernels were counted: count on until there are %d", p.Kernels, EnoughKernels)
			return c
		}
	}
	c.Clear = math.Abs(c.KgHa) > deviations95*c.SE
	return c
}
