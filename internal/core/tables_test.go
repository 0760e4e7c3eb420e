package core

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/outside"
	"chaffinch/internal/tables"
)

// moved is how many metres a second the positions move around a row.
func moved(rows []tables.Row, row int) float64 {
	from, to := rows[max(row-2, 0)], rows[min(row+2, len(rows)-1)]
	lat1, _ := from.Value("lat_deg")
	lat2, _ := to.Value("lat_deg")
	lon1, _ := from.Value("lon_deg")
	lon2, _ := to.Value("lon_deg")
	const metres = 111_195 // a degree of latitude
	north, east := (lat2-lat1)*metres, (lon2-lon1)*metres*math.Cos(lat1*math.Pi/180)
	return math.Hypot(north, east) / float64(to.Second-from.Second)
}

// The 1 Hz table of a real combine (its own time log, ISO 11783-10), turned
// into bus frames. It is published under AGPL-3.0 and so not part of this
// repository: CHAFFINCH_TABLES names the folder that has it. Without it this
// check does not run, and says so.
func TestARealCombinesHarvest(t *testing.T) {
	folder := outside.Private(t, "CHAFFINCH_TABLES")
	rows, err := tables.ReadRows(filepath.Join(folder, "combine-1hz", "combine-1hz.csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "combine.toml")
	own := "[machine]\ncut_width_m = 10.97\n[crop]\nname = \"canola\"\n" + tables.CombineMaps
	if err := os.WriteFile(path, []byte(own), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}

	var agree, cuttingIdle, missed, judged int
	var grainT, fuelL, areaHa float64
	kinds := map[string]int{}
	activity := map[machine.Activity]int{}
	row, levelSaid := 0, 0
	c, err := New(cfg, Outputs{
		Event: func(e *detect.Event) {
			if e.Phase == detect.Raised {
				kinds[e.Kind]++
				if e.Kind == "separation-loss-high" && strings.Contains(e.Text, "set its sensor") {
					levelSaid++
				}
				t.Logf("%6.1f s %-7s %-16s %s", e.Raised.Seconds(), e.Priority, e.Kind, e.Text)
			}
		},
		State: func(s *machine.State) {
			if s.Now%1e9 != 0 {
				return
			}
			// The state at second n stands for row n-1, which was sent in the second before it.
			for row+1 < len(rows) && float64(rows[row+1].Second) < s.Now.Seconds() {
				row++
			}
			r := rows[row]
			activity[s.Activity]++
			if flow, ok := signal.GrainFlow.Fresh(&s.Signals, s.Now); ok {
				grainT += float64(flow) / 3600
			}
			if rate, ok := signal.FuelRate.Fresh(&s.Signals, s.Now); ok {
				fuelL += float64(rate) / 3600
			}
			if want, ok := r.Value("rotor_rpm"); ok {
				got, fresh := signal.RotorSpeed.Fresh(&s.Signals, s.Now)
				if !fresh || math.Abs(float64(got)-want) > 0.07 { // half of 0.125, and a little
					t.Errorf("second %d: rotor %v rpm (fresh %v), the table says %v", r.Second, got, fresh, want)
				}
			}
			work, ok := r.Value("work_state")
			if !ok {
				return
			}
			// The machine's own work state stays on while it stands in the crop;
			// cutting is moving as well.
			atWork := work == 1 && moved(rows, row) > 0.1
			judged++
			cutting := s.Activity == machine.Cutting
			switch {
			case cutting == atWork:
				agree++
			case cutting:
				cuttingIdle++
			default:
				missed++
			}
			if width, ok := signal.CutWidth.Fresh(&s.Signals, s.Now); ok && cutting {
				areaHa += float64(width) * float64(s.Speed.Value) / 3.6 / 1e4
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range tables.Combine(rows) {
		c.Frame(&f)
	}
	c.Finish()

	wantGrain, wantFuel, wantArea := 0.0, 0.0, 0.0
	for _, r := range rows {
		flow, _ := r.Value("wet_mass_flow_kg_s")
		fuel, _ := r.Value("fuel_l_h")
		area, _ := r.Value("area_rate_m2_s")
		wantGrain += flow / 1000
		wantFuel += fuel / 3600
		wantArea += area / 1e4
	}
	t.Logf("work state: %d of %d seconds agree (%.1f %%), cutting while not at work %d, not cutting while at work %d",
		agree, judged, 100*float64(agree)/float64(judged), cuttingIdle, missed)
	t.Logf("grain %.3f t, table %.3f; fuel %.2f L, table %.2f; area %.3f ha, table %.3f", grainT, wantGrain, fuelL, wantFuel, areaHa, wantArea)
	t.Logf("activity %v, alarms %v", activity, kinds)
	// The harvest was a calm one: its flow and speed are even, its rotor holds its
	// speed, and no fault code is in the table. One alarm is right: the separation
	// level sits near 100 all day, which is said once.
	if delete(kinds, "separation-loss-high"); len(kinds) > 0 || levelSaid != 1 {
		t.Errorf("alarms in a harvest that has no trouble: %v", kinds)
	}
	if float64(agree) < 0.97*float64(judged) {
		t.Errorf("work state agrees in %d of %d seconds; 97 %% are promised with work signals", agree, judged)
	}
	near := func(what string, got, want, share float64) {
		if math.Abs(got-want) > share*want {
			t.Errorf("%s: %.3f, the table says %.3f", what, got, want)
		}
	}
	near("grain, t", grainT, wantGrain, 0.005)
	near("fuel, L", fuelL, wantFuel, 0.005)
	near("area, ha", areaHa, wantArea, 0.05) // its speed comes from positions
}
