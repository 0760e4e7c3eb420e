package shift

import (
	"fmt"

	"chaffinch/detect/machine"
)

// rates says what the crop and the trade know beforehand.
type rates struct {
	mogRatio    float64
	standardPct float64 // moisture that the trade pays for
}

func seconds(steps int64) float64 { return float64(steps) / (1 / stepS) }

// part is a in percent of b; all of nothing is 100.
func part(a, b int64) float64 {
	if b <= 0 {
		return 100
	}
	return min(100, 100*float64(a)/float64(b))
}

// totals puts sums into words and units.
func (s *Sums) totals(r rates) Totals {
	t := Totals{Times: s.times()}
	cutting := s.Steps[machine.Cutting]
	t.area(s, cutting)
	t.grain(s, cutting, r)
	if s.FeedKnown > 0 {
		t.FeedT = &Amount{s.FeedT, "feed estimate", true, part(s.FeedKnown, cutting)}
	}
	if s.FuelKnown > 0 {
		t.FuelL = &Amount{s.FuelL, "fuel rate", false, part(s.FuelKnown, s.Engine)}
	}
	if s.SpeedKnown > 0 {
		known := part(s.SpeedKnown, s.Moving)
		t.CutKm = &Amount{s.CutM / 1000, "ground speed", false, known}
		t.DrivenKm = &Amount{s.DrivenM / 1000, "ground speed", false, known}
	}
	t.perHour()
	for i, id := range levels {
		if n := s.LevelN[i]; n > 0 {
			t.Levels = append(t.Levels, Level{id.String(), s.LevelSum[i] / float64(n), s.LevelMax[i], seconds(n)})
		}
	}
	if s.FullN > 0 {
		t.FullnessPct = &Amount{s.FullSum / float64(s.FullN), "feed over its comfortable maximum", true, part(s.FullN, cutting)}
	}
	return t
}

func (s *Sums) times() Times {
	in := func(a machine.Activity) float64 { return seconds(s.Steps[a]) }
	t := Times{
		CuttingS: in(machine.Cutting), TurningS: in(machine.Turning), UnloadingS: in(machine.Unloading),
		WaitingS: in(machine.Waiting), BlockedS: in(machine.Blocked), IdleS: in(machine.Idle),
		TravellingS: in(machine.Travelling), OffS: in(machine.Off), UnknownS: in(machine.Unknown),
		OnTheGoS: seconds(s.OnTheGo), RoadS: seconds(s.Road), EngineS: seconds(s.Engine), UnheardS: rounded(s.UnheardS, 1),
	}
	var all int64
	for _, n := range s.Steps {
		all += n
	}
	t.TotalS = seconds(all)
	t.FieldS = seconds(all - s.Road - s.Steps[machine.Off] - s.Steps[machine.Unknown])
	return t
}

// area is the smaller of two: what the map of cut ground says, which knows of
// overlap but takes the whole width of the header for its own, and width times
// distance, which knows of narrow passes if the machine tells its width.
func (t *Totals) area(s *Sums, cutting int64) {
	if s.WidthKnown == 0 {
		return
	}
	width := "cut width as configured"
	switch {
	case s.WidthTold == s.WidthKnown:
		width = "cut width as told by the machine"
	case s.WidthTold > 0:
		width = "cut width, in part as told by the machine"
	}
	known := part(s.WidthKnown, cutting)
	t.WorkedHa = &Amount{s.WorkedM2 / 1e4, width + " times distance", false, known}
	if s.ChartedM == 0 {
		t.AreaHa = &Amount{s.WorkedM2 / 1e4, width + " times distance, overlap not known", true, known}
		return
	}
	covered, onMap := s.CoveredM2, 100.0
	if s.CutM > 0 {
		onMap = min(100, 100*s.ChartedM/s.CutM)
	}
	holes := onMap < 100*wellCharted
	if holes { // nobody knows of overlap there
		covered += s.WorkedM2 * (1 - onMap/100)
	}
	if covered < s.WorkedM2 {
		t.AreaHa = &Amount{covered / 1e4, "map of cut ground, each square metre once", holes, onMap}
		return
	}
	t.AreaHa = &Amount{s.WorkedM2 / 1e4, width + " times distance, less than the map of cut ground", false, known}
}

// wellCharted is the part of the way that has to be on the map; what wheels slip
// is never on it.
const wellCharted = 0.93

// leastGuess is the percent of cutting from which on grain that was estimated
// makes the sum an estimate.
const leastGuess = 0.5

func (t *Totals) grain(s *Sums, cutting int64, r rates) {
	if s.FlowKnown+s.GuessKnown > 0 || s.FlowT > 0 {
		guessed := part(s.GuessKnown, cutting) >= leastGuess && s.GuessKnown > 0
		a := &Amount{Value: s.FlowT + s.GuessT, Basis: "grain flow", Estimated: guessed, KnownPct: part(s.FlowKnown+s.GuessKnown, cutting)}
		feed := fmt.Sprintf("feed estimate and a MOG ratio of %g", r.mogRatio)
		switch {
		case s.FlowT == 0 && s.FlowKnown == 0:
			a.Basis = feed
		case guessed:
			a.Basis = fmt.Sprintf("grain flow, and for %.0f %% of cutting %s", part(s.GuessKnown, cutting), feed)
		}
		t.GrainT = a
	}
	switch {
	case s.MoistT > 0:
		t.MoisturePct = &Amount{s.MoistPctT / s.MoistT, "grain moisture, weighted by grain", false, part(s.MoistN, cutting)}
	case s.MoistN > 0:
		t.MoisturePct = &Amount{s.MoistPct / float64(s.MoistN), "grain moisture, mean over time", true, part(s.MoistN, cutting)}
	}
	if t.MoisturePct == nil {
		return
	}
	t.MoistureMin, t.MoistureMax = rounded(s.MoistMin, 2), rounded(s.MoistMax, 2)
	if t.GrainT != nil && r.standardPct > 0 && t.MoisturePct.Value < 100 {
		t.StandardT = &Amount{
			Value:     AtMoisture(t.GrainT.Value, t.MoisturePct.Value, r.standardPct),
			Basis:     fmt.Sprintf("%s, at %g %% moisture", t.GrainT.Basis, r.standardPct),
			Estimated: t.GrainT.Estimated || t.MoisturePct.Estimated, KnownPct: min(t.GrainT.KnownPct, t.MoisturePct.KnownPct),
		}
	}
}

// AtMoisture is the mass that grain has at another moisture, both wet basis, its
// dry matter kept (the shrink formula of the trade).
func AtMoisture(mass, moisturePct, standardPct float64) float64 {
	return mass * (100 - moisturePct) / (100 - standardPct)
}

// perHour works out the rates. Cutting and field hours are never mixed: both are
// given.
func (t *Totals) perHour() {
	cutH, fieldH, engineH := t.Times.CuttingS/3600, t.Times.FieldS/3600, t.Times.EngineS/3600
	t.HaPerHCutting, t.HaPerHField = over(t.AreaHa, cutH, "cutting time"), over(t.AreaHa, fieldH, "field time")
	t.TPerHCutting, t.TPerHField = over(t.GrainT, cutH, "cutting time"), over(t.GrainT, fieldH, "field time")
	t.LPerH = over(t.FuelL, engineH, "time with the engine on")
	t.YieldTHa = ratio(t.GrainT, t.AreaHa)
	t.LPerHa = ratio(t.FuelL, t.AreaHa)
	t.LPerT = ratio(t.FuelL, t.GrainT)
	if cutH > 0 && fieldH > 0 {
		t.FieldEfficiencyPct = &Amount{100 * cutH / fieldH, "cutting time over field time", false, 100}
	}
}

// over divides by hours. Under a minute no rate is told.
func over(a *Amount, hours float64, of string) *Amount {
	if a == nil || hours < 1.0/60 {
		return nil
	}
	return &Amount{a.Value / hours, a.Basis + ", over " + of, a.Estimated, a.KnownPct}
}

func ratio(a, b *Amount) *Amount {
	if a == nil || b == nil || !(b.Value > 0) {
		return nil
	}
	return &Amount{a.Value / b.Value, a.Basis + "; " + b.Basis, a.Estimated || b.Estimated, min(a.KnownPct, b.KnownPct)}
}
