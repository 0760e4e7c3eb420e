package shift

import (
	"math"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/internal/outside"
)

// Worked examples of others (testdata/harvest-checks.csv, with their sources),
// each lived through step by step.
func TestPublishedShifts(t *testing.T) {
	const ft, mile, acre, hectare = 0.3048, 1.609344, 4046.8564224, 1e4
	// hours works for an hour: a part of it cutting at a speed, the rest turning.
	hour := func(facts Facts, speedKMH, part float64, values map[signal.ID]float64) Totals {
		d := newDriver(facts)
		d.state.Speed = machine.Speed{Value: signal.KPH(speedKMH), Known: true}
		const steps = 36000
		for i := range steps {
			a := machine.Turning
			// The first and the last step cut: a shift lies between them.
			if float64(i) < part*steps-1 || i == steps-1 {
				a = machine.Cutting
			}
			d.step(a, values)
		}
		return d.acc.Finish().Total
	}
	check := func(p outside.Published, got float64) {
		t.Helper()
		if !(math.Abs(got-p.Want) <= p.Tolerance) {
			t.Errorf("%s: %s is %.5g, want %g within %g (%s)", p.ID, p.Quantity, got, p.Want, p.Tolerance, p.Source)
		}
	}
	ids := 0
	for _, p := range outside.AllPublished(t) {
		in := p.In
		switch p.ID {
		case "H001", "H002", "H003", "H004", "H005", "H006":
			total := hour(ownWidth(in["width_ft"]*ft), in["speed_mph"]*mile, in["eff"], nil)
			check(p, total.HaPerHField.Value*hectare/acre)
			if eff := total.FieldEfficiencyPct.Value; math.Abs(eff-100*in["eff"]) > 0.01 {
				t.Errorf("%s: field efficiency %g, want %g", p.ID, eff, 100*in["eff"])
			}
		case "H010":
			check(p, hour(ownWidth(in["width_m"]), in["speed_kmh"], in["eff"], nil).HaPerHField.Value)
		case "H012": // the other way round: the flow gives the yield
			total := hour(ownWidth(in["width_m"]), in["speed_kmh"], 1, map[signal.ID]float64{signal.GrainFlow.ID: p.Want})
			if got := total.YieldTHa.Value; math.Abs(got-in["yield_t_ha"]) > 0.005 {
				t.Errorf("%s: yield %g, want %g (%s)", p.ID, got, in["yield_t_ha"], p.Source)
			}
			check(p, total.TPerHCutting.Value)
		case "H091", "H092", "H093", "H094", "H095", "H096", "H097", "H098":
			// What comes in wet is told at the moisture of the trade.
			facts := ownWidth(9)
			facts.Crop.Moisture = signal.Percent(in["m_std"])
			total := hour(facts, 5, 1, map[signal.ID]float64{signal.GrainFlow.ID: 30, signal.GrainMoisture.ID: in["m_actual"]})
			check(p, in["lb_std"]*total.GrainT.Value/total.StandardT.Value)
		case "H065", "H066", "H067", "H068", "H069":
			d := newDriver(ownWidth(10))
			d.drive(machine.Cutting, 1000, 0, nil)
			d.acc.Note(&advise.Note{Kind: advise.CheckTold, Taken: &advise.CheckTaken{Check: advise.Check{Ground: &advise.GroundCount{
				MachineKgHa: 1000 * in["yield_t_ha"] * in["loss_pct"] / 100, MachineKnown: true}}}})
			d.acc.Price(in["price_per_t"])
			total := d.acc.Finish().Total
			check(p, total.LossMoney.Value/total.AreaHa.Value)
		default:
			continue
		}
		ids++
	}
	if ids != 21 {
		t.Errorf("%d examples were worked out, want 21", ids)
	}
}
