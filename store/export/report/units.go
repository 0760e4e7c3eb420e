package report

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/count"
	"chaffinch/detect/shift"
)

// usUnits are what metric units are in the US, and how many of them one is. A ton is
// 2000 lb: bushels would need the test weight of the crop, which no record has.
var usUnits = map[string]struct {
	name  string
	times float64
}{
	"ha": {"ac", 1 / count.Acre}, "ha/h": {"ac/h", 1 / count.Acre},
	"t": {"ton", perTon}, "t/h": {"ton/h", perTon}, "t/ha": {"ton/ac", perTon * count.Acre},
	"kg": {"lb", 1 / count.Pound}, "kg/ha": {"lb/ac", count.Acre / count.Pound},
	"l": {"gal", 1 / gallon}, "l/ha": {"gal/ac", count.Acre / gallon}, "l/t": {"gal/ton", 1 / gallon / perTon},
	"km": {"mi", 1 / 1.609344}, "m": {"ft", 1 / 0.3048},
}

const (
	perTon = 1000 / (2000 * count.Pound) // tons of a tonne
	gallon = 3.785411784                 // l: 231 cubic inches
)

// inUnits is a value and its unit as they are shown.
func inUnits(in signal.System, v float64, unit string) (float64, string) {
	if u, ok := usUnits[unit]; ok && in == signal.US {
		return v * u.times, u.name
	}
	return v, unit
}

// FuelOnLand and fuelOnMass name what their units are in.
func (r *report) FuelOnLand() string {
	if r.Units == signal.US {
		return "fuel on an acre"
	}
	return "fuel on a hectare"
}

func (r *report) fuelOnMass() string {
	if r.Units == signal.US {
		return "fuel on a ton"
	}
	return "fuel on a tonne"
}

// Amount is a sum with its unit, marked where it is estimated.
func (r *report) Amount(a *shift.Amount, unit string) string {
	if a == nil {
		return "–"
	}
	v, unit := inUnits(r.Units, a.Value, unit)
	text := number(v)
	if unit != "" {
		text += " " + unit
	}
	if a.Estimated {
		text = "≈ " + text
	}
	return text
}
