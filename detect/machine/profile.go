package machine

import (
	"fmt"
	"slices"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// Settings is the [machine] table of the configuration: what the owner knows
// of the combine. A width, power or diameter of 0 is not known.
type Settings struct {
	// Name stands in topics and reports: letters, digits, "-", "_" and ".".
	Name string `toml:"name"`
	// CutWidth is the working width of the header.
	CutWidth signal.Metre `toml:"cut_width_m" zero:"unknown"`
	// RatedPowerKW is the rated power of the engine (ISO 14396 or SAE J1995).
	RatedPowerKW float64 `toml:"rated_power_kw" zero:"unknown"`
	// RotorDiameter is over the threshing bars of the rotor or cylinder.
	RotorDiameter signal.Metre `toml:"rotor_diameter_m" zero:"unknown"`
	// MassT is the mass in work, header and a half-full tank included, in tonnes.
	MassT float64 `toml:"mass_t"`
	// Header is the kind of header, one of HeaderKinds.
	Header string `toml:"header"`
	// Limits are the owner's own limits of settings, by the name of the signal.
	// Look them up by name: the order of a map is no order.
	Limits map[string]Limit `toml:"limits"`
	// SeatAdjustable are the Levers that this machine adjusts from the seat.
	SeatAdjustable []string `toml:"seat_adjustable"`
}

// Limit is a range in the unit of its signal. A bound that is not given is nil.
type Limit struct {
	Min *float64 `toml:"min"`
	Max *float64 `toml:"max"`
}

// HeaderKinds are the kinds of header: cutter bar for grain, cutter bar that
// follows the ground, row head for maize, pan head for sunflower, pickup for
// swaths, stripping rotor.
func HeaderKinds() []string {
	return []string{"grain", "flex", "maize", "sunflower", "pickup", "stripper"}
}

// Levers are what an operator can adjust on a combine.
func Levers() []string {
	return []string{
		"ground_speed", "rotor_speed", "concave", "fan_speed", "upper_sieve", "lower_sieve",
		"cut_height", "reel", "deck_plates", "guide_vanes",
	}
}

// settable are the signals that are settings, so that a limit makes sense.
var settable = []signal.ID{
	signal.GroundSpeed.ID, signal.RotorSpeed.ID, signal.FanSpeed.ID, signal.Concave.ID,
	signal.UpperSieve.ID, signal.LowerSieve.ID, signal.HeaderHeight.ID,
}

// DefaultSettings is a combine of which the owner has said nothing. The mass
// is that of a mid-sized machine; the levers are those that are worked from
// the seat on every machine with powered adjusters (common practice, no
// source).
func DefaultSettings() Settings {
	return Settings{
		Name:           "combine",
		MassT:          18,
		Header:         "grain",
		SeatAdjustable: []string{"ground_speed", "rotor_speed", "fan_speed", "cut_height", "reel"},
	}
}

// span is the range in which a number is believed, with words for who typed one
// outside it.
type span struct {
	key      string
	value    float64
	min, max float64
	unit     string
	hint     string
}

func (s span) check() []*problem.Problem {
	if s.value >= s.min && s.value <= s.max {
		return nil
	}
	_, leaf, _ := strings.Cut(s.key, ".")
	try := fmt.Sprintf("give %g to %g", s.min, s.max)
	if s.unit != "" {
		try += " " + s.unit
	}
	if s.hint != "" {
		try += "; " + s.hint
	}
	return []*problem.Problem{{Key: s.key, What: fmt.Sprintf("%s is %g", leaf, s.value), Try: try}}
}

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	if !nameIsPlain(s.Name) {
		all = append(all, &problem.Problem{Key: "machine.name", What: fmt.Sprintf("the machine cannot be called %q", s.Name),
			Try: `use 1 to 40 letters a to z, digits, "-", "_" and ".": the name is part of MQTT topics`})
	}
	for _, known := range []span{
		{"machine.cut_width_m", float64(s.CutWidth), 0.5, 25, "m", "1 ft is 0.3048 m"},
		{"machine.rated_power_kw", s.RatedPowerKW, 20, 1000, "kW", "1 hp is 0.746 kW"},
		{"machine.rotor_diameter_m", float64(s.RotorDiameter), 0.2, 1.5, "m", "1 in is 0.0254 m"},
	} {
		if known.value != 0 {
			all = append(all, known.check()...)
		}
	}
	all = append(all, span{"machine.mass_t", s.MassT, 1, 60, "t", "1 t is 1000 kg or 2205 lb"}.check()...)
	if !slices.Contains(HeaderKinds(), s.Header) {
		all = append(all, &problem.Problem{Key: "machine.header", What: fmt.Sprintf("there is no header %q", s.Header),
			Try: "give one of " + strings.Join(HeaderKinds(), ", ") + problem.DidYouMean(s.Header, HeaderKinds())})
	}
	all = append(all, s.validateLimits()...)
	return append(all, s.validateLevers()...)
}

func nameIsPlain(name string) bool {
	if name == "" || len(name) > 40 {
		return false
	}
	for _, c := range []byte(name) {
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' && c != '.' {
			return false
		}
	}
	return true
}

func (s Settings) validateLimits() []*problem.Problem {
	settings := make([]string, len(settable))
	for i, id := range settable {
		settings[i] = id.String()
	}
	names := make([]string, 0, len(s.Limits))
	for name := range s.Limits {
		names = append(names, name)
	}
	slices.Sort(names)

	var all []*problem.Problem
	for _, name := range names {
		key, limit := "machine.limits."+name, s.Limits[name]
		id, known := signal.ByName(name)
		switch {
		case !known:
			all = append(all, &problem.Problem{Key: key, What: fmt.Sprintf("there is no signal %q", name),
				Try: "limits can be set for " + strings.Join(settings, ", ") + problem.DidYouMean(name, settings)})
			continue
		case !slices.Contains(settable, id):
			all = append(all, &problem.Problem{Key: key, What: name + " is measured, not set, so it has no limit here",
				Try: "limits can be set for " + strings.Join(settings, ", ")})
			continue
		case limit.Min == nil && limit.Max == nil:
			all = append(all, &problem.Problem{Key: key, What: "the limit of " + name + " has neither min nor max",
				Try: "give min, max or both, or remove it"})
			continue
		}
		all = append(all, limit.validate(key, id)...)
	}
	return all
}

func (l Limit) validate(key string, id signal.ID) []*problem.Problem {
	var all []*problem.Problem
	info := id.Info()
	for _, b := range []struct {
		leaf  string
		value *float64
	}{{"min", l.Min}, {"max", l.Max}} {
		if b.value != nil && (*b.value < info.Min || *b.value > info.Max) {
			all = append(all, &problem.Problem{Key: key + "." + b.leaf,
				What: fmt.Sprintf("%s of %s is %g", b.leaf, info.Name, *b.value),
				Try:  fmt.Sprintf("give %g to %g %s", info.Min, info.Max, info.Unit)})
		}
	}
	if len(all) == 0 && l.Min != nil && l.Max != nil && *l.Min >= *l.Max {
		all = append(all, &problem.Problem{Key: key,
			What: fmt.Sprintf("min %g of %s is not under its max %g", *l.Min, info.Name, *l.Max), Try: "exchange them, or mend the one that is wrong"})
	}
	return all
}

func (s Settings) validateLevers() []*problem.Problem {
	var all []*problem.Problem
	for i, lever := range s.SeatAdjustable {
		key := fmt.Sprintf("machine.seat_adjustable.%d", i)
		switch {
		case !slices.Contains(Levers(), lever):
			all = append(all, &problem.Problem{Key: key, What: fmt.Sprintf("there is no lever %q", lever),
				Try: "give some of " + strings.Join(Levers(), ", ") + problem.DidYouMean(lever, Levers())})
		case slices.Index(s.SeatAdjustable, lever) < i:
			all = append(all, &problem.Problem{Key: key, What: fmt.Sprintf("lever %q is listed twice", lever), Try: "remove one"})
		}
	}
	return all
}
