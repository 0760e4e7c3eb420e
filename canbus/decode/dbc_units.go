package decode

import (
	"slices"
	"strings"

	"chaffinch/canbus/signal"
)

// linear turns a unit into another: value x factor + offset.
type linear struct{ factor, offset float64 }

// conversions are the ways into the units of our signals. Factors are exact by
// definition of the units, or the nearest number to it.
var conversions = map[string]map[string]linear{
	"km/h": {"km/h": {1, 0}, "kmh": {1, 0}, "kph": {1, 0}, "m/s": {3.6, 0}, "mph": {1.609344, 0}, "kn": {1.852, 0}, "knots": {1.852, 0}},
	"rpm": {"rpm": {1, 0}, "1/min": {1, 0}, "r/min": {1, 0}, "rev/min": {1, 0}, "min-1": {1, 0}, "u/min": {1, 0},
		"1/s": {60, 0}, "hz": {60, 0}, "rps": {60, 0}},
	"%":   {"%": {1, 0}, "percent": {1, 0}, "pct": {1, 0}, "ppm": {1e-4, 0}},
	"L/h": {"l/h": {1, 0}, "lph": {1, 0}, "ml/s": {3.6, 0}, "gal/h": {3.785411784, 0}, "gph": {3.785411784, 0}},
	"Cel": {"cel": {1, 0}, "°c": {1, 0}, "degc": {1, 0}, "deg c": {1, 0}, "c": {1, 0}, "celsius": {1, 0},
		"k": {1, -273.15}, "kelvin": {1, -273.15}, "°f": {5.0 / 9, -160.0 / 9}, "degf": {5.0 / 9, -160.0 / 9}, "f": {5.0 / 9, -160.0 / 9}},
	"mm":  {"mm": {1, 0}, "cm": {10, 0}, "m": {1000, 0}, "in": {25.4, 0}, "inch": {25.4, 0}},
	"m":   {"m": {1, 0}, "mm": {1e-3, 0}, "cm": {1e-2, 0}, "km": {1000, 0}, "ft": {0.3048, 0}},
	"t/h": {"t/h": {1, 0}, "kg/s": {3.6, 0}, "kg/h": {1e-3, 0}, "g/s": {3.6e-3, 0}, "mg/s": {3.6e-6, 0}, "lb/s": {1.632932532, 0}},
	"deg": {"deg": {1, 0}, "°": {1, 0}, "degree": {1, 0}, "degrees": {1, 0}, "rad": {57.29577951308232, 0}},
}

func conversion(to *signal.Info, from string) (linear, bool) {
	from = strings.ToLower(strings.TrimSpace(from))
	if to.Flag {
		return linear{1, 0}, from == "" || from == "bit" || from == "bool" || from == "state"
	}
	k, ok := conversions[to.Unit][from]
	return k, ok
}

// convertible lists the units that can be turned into that of a signal.
func convertible(to *signal.Info) string {
	if to.Flag {
		return `no unit, "bit", "bool" or "state"`
	}
	known := sortedKeys(conversions[to.Unit])
	return strings.Join(slices.DeleteFunc(known, func(u string) bool { return u == "c" || u == "f" || u == "k" }), ", ")
}
