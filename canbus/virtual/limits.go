package virtual

import (
	"fmt"
	"strings"

	"chaffinch/internal/problem"
)

// Limit is the owner's own range of a setting, in the unit of its signal. A
// bound that is not given is nil.
type Limit struct {
	Min *float64 `toml:"min"`
	Max *float64 `toml:"max"`
}

// relief says which trouble a setting would relieve if it went on beyond a
// limit. The pairs are common practice, no source.
type relief struct {
	signal  string
	upper   bool
	trouble string                           // of a script, that brings it
	symptom func(r *recorder, t float64) int // how surely it is there
}

var reliefs = [...]relief{
	{"ground_speed_kmh", true, "thin", func(r *recorder, t float64) int { return r.spare.active(t) }},
	{"ground_speed_kmh", false, "overload", func(r *recorder, t float64) int { return max(r.overload.active(t), r.sag.active(t)) }},
	{"rotor_speed_rpm", true, "separation-loss", separationIsHigh},
	{"rotor_speed_rpm", false, "broken", brokenIsHigh},
	{"fan_speed_rpm", true, "trash", trashIsHigh},
	{"fan_speed_rpm", false, "cleaning-loss", cleaningIsHigh},
	{"concave_mm", true, "broken", brokenIsHigh},
	{"concave_mm", false, "separation-loss", separationIsHigh},
	{"upper_sieve_mm", true, "cleaning-loss", cleaningIsHigh},
	{"upper_sieve_mm", false, "trash", trashIsHigh},
	{"lower_sieve_mm", true, "returns", func(r *recorder, t float64) int { return r.returns.active(t) }},
	{"lower_sieve_mm", false, "trash", trashIsHigh},
}

func separationIsHigh(r *recorder, t float64) int { return r.separation.active(t) }
func cleaningIsHigh(r *recorder, t float64) int   { return r.cleaning.active(t) }
func brokenIsHigh(r *recorder, t float64) int     { return r.broken.active(t) }
func trashIsHigh(r *recorder, t float64) int      { return r.trash.active(t) }

// settingSignals are the signals that may have a limit.
var settingSignals = [...]string{"ground_speed_kmh", "rotor_speed_rpm", "fan_speed_rpm", "concave_mm", "upper_sieve_mm", "lower_sieve_mm", "header_height_mm"}

// bound is the limit of the scenario that a relief speaks of.
func (l relief) bound(limits map[string]Limit) *float64 {
	if l.upper {
		return limits[l.signal].Max
	}
	return limits[l.signal].Min
}

// shown is what a setting's signal would be without noise.
func (c *Combine) shown(signal string) float64 {
	switch signal {
	case "ground_speed_kmh":
		return c.speedMS * 3.6
	case "rotor_speed_rpm":
		return c.rot.rpm()
	case "fan_speed_rpm":
		return c.fanRPM()
	case "concave_mm":
		return c.crop.ConcaveMM
	case "upper_sieve_mm":
		return c.crop.UpperMM
	case "lower_sieve_mm":
		return c.crop.LowerMM
	case "header_height_mm":
		return c.body.headerMM
	}
	return 0
}

// usualSetting is where a setting usually sits in the crop, at full engine
// speed: that of ground speed is where the engine has the load that is liked.
func usualSetting(m *Model, c *Crop, signal string, loadPct float64) float64 {
	switch signal {
	case "ground_speed_kmh":
		return clamp(speedFor(m, c, mogAt(m, c, loadPct/100)), 1.5, c.TopKMH)
	case "rotor_speed_rpm":
		return rpmOf(2 * c.TipMS / m.RotorDiameterM)
	case "fan_speed_rpm":
		return c.FanRPM
	case "concave_mm":
		return c.ConcaveMM
	case "upper_sieve_mm":
		return c.UpperMM
	case "lower_sieve_mm":
		return c.LowerMM
	case "header_height_mm":
		return c.CutMM
	}
	return 0
}

// newHolds makes a watch for each setting that has a limit.
func newHolds(limits map[string]Limit) []watch {
	var list []watch
	for _, signal := range settingSignals {
		if _, ok := limits[signal]; ok {
			w := watch{kind: "limit-holding", subject: signal, delayS: 10, gapS: 8, beforeS: 20, afterS: 40}
			if signal == "ground_speed_kmh" {
				w.beforeS = 100 // an empty machine is a symptom after 90 s
			}
			list = append(list, w)
		}
	}
	return list
}

// holding watches for settings that sit within 2 % of a limit while the
// symptom is there that moving on would relieve.
func (r *recorder) holding(c *Combine, t float64, settled bool) {
	for i := range r.held {
		w := &r.held[i]
		level := no
		for _, l := range reliefs {
			bound := l.bound(c.sc.Limits)
			if l.signal != w.subject || bound == nil || !settled {
				continue
			}
			at := under(c.shown(l.signal) / *bound, 1.04, 1.02, 1.015)
			if l.upper {
				at = grade(c.shown(l.signal) / *bound, 0.96, 0.98, 0.985)
			}
			level = max(level, min(at, l.symptom(r, t)))
		}
		w.step(t, level)
	}
}

// obeys is a ground speed within the owner's limits.
func (c *Combine) obeys(kmh float64) float64 {
	l := c.sc.Limits["ground_speed_kmh"]
	if l.Min != nil {
		kmh = max(kmh, *l.Min)
	}
	if l.Max != nil {
		kmh = min(kmh, *l.Max)
	}
	return kmh
}

// limitsText is the limits as a line of a configuration.
func limitsText(limits map[string]Limit) string {
	var list []string
	for _, signal := range settingSignals {
		l, ok := limits[signal]
		var bounds []string
		if l.Min != nil {
			bounds = append(bounds, fmt.Sprintf("min = %g", *l.Min))
		}
		if l.Max != nil {
			bounds = append(bounds, fmt.Sprintf("max = %g", *l.Max))
		}
		if ok {
			list = append(list, signal+" = { "+strings.Join(bounds, ", ")+" }")
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "limits = { " + strings.Join(list, ", ") + " }\n"
}

func validateLimits(limits map[string]Limit) []*problem.Problem {
	var all []*problem.Problem
	known := 0
	for _, signal := range settingSignals {
		l, ok := limits[signal]
		if !ok {
			continue
		}
		known++
		wrong := ""
		switch {
		case l.Min == nil && l.Max == nil:
			wrong = "a limit without min and max"
		case l.Min != nil && !(*l.Min > 0 && *l.Min < 5000), l.Max != nil && !(*l.Max > 0 && *l.Max < 5000):
			wrong = "a limit is above 0 and below 5000"
		case l.Min != nil && l.Max != nil && *l.Min >= *l.Max:
			wrong = fmt.Sprintf("min %g is not below max %g", *l.Min, *l.Max)
		}
		if wrong != "" {
			all = append(all, &problem.Problem{Key: "limits." + signal, What: wrong, Try: "write it like limits." + signal + " = { min = 3, max = 900 }"})
		}
	}
	if known < len(limits) {
		all = append(all, &problem.Problem{Key: "limits", What: "a limit of what is no setting", Try: "give limits of " + strings.Join(settingSignals[:], ", ")})
	}
	return all
}
