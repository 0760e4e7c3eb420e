package core

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"chaffinch/canbus"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/internal/outside"
	"chaffinch/internal/tables"
)

// shiftOf runs frames through a core and adds up all that was done.
func shiftOf(t *testing.T, text string, frames []canbus.Frame) []*shift.Summary {
	t.Helper()
	path := filepath.Join(t.TempDir(), "machine.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	var all []*shift.Summary
	c, err := New(cfg, Outputs{Shift: func(s ShiftTold) {
		if s.Phase == ShiftEnded {
			all = append(all, s.Summary)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		c.Frame(&frames[i])
	}
	c.Finish()
	if s := c.ShiftToEnd(); s != nil {
		all = append(all, s)
	}
	return all
}

// compareTotal holds an amount to a machine's own, and logs both.
func compareTotal(t *testing.T, what string, got *shift.Amount, want, share float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not known", what)
		return
	}
	t.Logf("%-22s %9.3f, the machine's own %9.3f (%+.2f %%); %s; estimated %t, known %.1f %%",
		what, got.Value, want, 100*(got.Value/want-1), got.Basis, got.Estimated, got.KnownPct)
	if !(math.Abs(got.Value-want) <= share*want) {
		t.Errorf("%s is %.3f, want %.3f within %g %%", what, got.Value, want, 100*share)
	}
}

// The forage harvester's own totals of its task (its time log, ISO 11783-10; the
// table's last row), which it works out itself: 259,618 kg, 48,300 m2, 84.954 L,
// and 3,559 s of effective time. Its first row is at 13 kg. Of its flow a quarter
// is sent, as it is beyond what grain can be.
func TestAForageHarvestersOwnTotals(t *testing.T) {
	rows := realTable(t, "forage-harvester-1hz/forage-harvester-1hz.csv.gz")
	all := shiftOf(t, "[machine]\ncut_width_m = 9\n", tables.Forage(rows, tables.Work{State: true, FlowUntil: 1e9}))
	if len(all) != 1 {
		t.Fatalf("%d shifts", len(all))
	}
	s := all[0]
	grain := *s.Total.GrainT
	grain.Value /= tables.ForageFlow
	compareTotal(t, "mass, t", &grain, 259.605, 0.02)
	// Integrating the log's own fuel rate gives 88.05 L as well: its counter and its
	// rate do not agree. What burnt before the first cut and after the last is not in ours.
	compareTotal(t, "fuel, L", s.Total.FuelL, 84.889, 0.05)
	// Its counter adds the width of all sections while it works; 9 m of width times
	// the way is what we call worked. Ground cut twice it counts twice.
	compareTotal(t, "worked, ha", s.Total.WorkedHa, 4.830, 0.04)
	compareTotal(t, "cutting, s", &shift.Amount{Value: s.Total.Times.CuttingS}, 3559, 0.03)
	compareTotal(t, "area, ha", s.Total.AreaHa, 4.830, 0.12)
	if s.Total.AreaHa.Value > s.Total.WorkedHa.Value {
		t.Error("more ground than work")
	}
	t.Logf("%d fields; %+v", len(s.Fields), s.Total.Times)
}

// The combine's table has no counters, but the rates that its counters add up:
// area, fuel and mass. (For the whole log its counters give 0.3 to 3.8 % more than
// plain integration of these does.) The table is not part of this repository; see
// TestARealCombinesHarvest.
func TestACombinesOwnRates(t *testing.T) {
	rows, err := tables.ReadRows(filepath.Join(outside.Private(t, "CHAFFINCH_TABLES"), "combine-1hz", "combine-1hz.csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	all := shiftOf(t, "[machine]\ncut_width_m = 10.97\n[crop]\nname = \"canola\"\n"+tables.CombineMaps, tables.Combine(rows))
	if len(all) != 1 {
		t.Fatalf("%d shifts", len(all))
	}
	s := all[0]
	// From the first work state to the last, as a shift is.
	first, last, running := -1, -1, 0
	for i, r := range rows {
		if work, ok := r.Value("work_state"); !ok || work != 1 || moved(rows, i) <= 0.1 {
			running = 0
			continue
		}
		if running++; running < 3 {
			continue // the table ends in the first second of a pass
		}
		if first < 0 {
			first = i - 2
		}
		last = i
	}
	var mass, fuel, area, atWork, moist float64
	for i, r := range rows[first : last+1] {
		flow, _ := r.Value("wet_mass_flow_kg_s")
		rate, _ := r.Value("fuel_l_h")
		of, _ := r.Value("area_rate_m2_s")
		pct, _ := r.Value("moisture_pct")
		mass += flow / 1000
		fuel += rate / 3600
		area += of / 1e4
		moist += flow / 1000 * pct
		if work, _ := r.Value("work_state"); work == 1 && moved(rows, first+i) > 0.1 {
			atWork++
		}
	}
	t.Logf("work in the table from row %d to %d, %d s", first, last, last-first)
	compareTotal(t, "grain, t", s.Total.GrainT, mass, 0.01)
	compareTotal(t, "fuel, L", s.Total.FuelL, fuel, 0.01)
	// The machine takes its speed from its wheels, we from positions.
	compareTotal(t, "worked, ha", s.Total.WorkedHa, area, 0.05)
	compareTotal(t, "area, ha", s.Total.AreaHa, area, 0.05)
	compareTotal(t, "cutting, s", &shift.Amount{Value: s.Total.Times.CuttingS}, atWork, 0.03)
	compareTotal(t, "moisture, %", s.Total.MoisturePct, moist/mass, 0.02)
	t.Logf("%d fields; %+v", len(s.Fields), s.Total.Times)
}
