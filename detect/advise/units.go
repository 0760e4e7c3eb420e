package advise

import (
	"math"
	"strconv"
	"strings"

	"chaffinch/canbus/signal"
)

// shownAs is how a unit is told in the US system. The factors are exact, but for
// rounding (NIST Special Publication 811, appendix B: mile, inch, pound, short ton,
// acre).
var shownAs = map[string]struct {
	unit     string
	times    float64
	decimals int
}{
	"km/h":  {"mph", 1 / 1.609344, 1},
	"mm":    {"in", 1 / 25.4, 2},
	"t/h":   {"tons/h", 1 / 0.90718474, 0},
	"kg/ha": {"lb/ac", 0.40468564 / 0.45359237, 0},
}

// shown is a value and its unit as the owner reads them.
func (a *Adviser) shown(v float64, unit string) (value, in string) {
	decimals := 1
	if unit == "t/h" || unit == "kg/ha" {
		decimals = 0
	}
	if us, ok := shownAs[unit]; ok && a.facts.Units == signal.US {
		v, unit, decimals = v*us.times, us.unit, us.decimals
	}
	p := math.Pow(10, float64(decimals))
	return strconv.FormatFloat(math.Round(v*p)/p, 'f', -1, 64), unit
}

// setting tells a value as a person would: "860 rpm", "12.5 mm".
func (a *Adviser) setting(v float64, unit string) string {
	value, in := a.shown(v, unit)
	return strings.TrimSpace(value + " " + in)
}

// plain is setting without the unit.
func (a *Adviser) plain(v float64, unit string) string {
	value, _ := a.shown(v, unit)
	return value
}
