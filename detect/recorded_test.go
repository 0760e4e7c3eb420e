package detect_test

import (
	"compress/gzip"
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

// Three hours of a real combine in wheat, a point a second (source and licence
// beside the file): normal work, in which nothing may be raised. The load goes up
// to 105 % for seconds, the flow falls to nothing between passes.
func TestRecordedHarvestRaisesNothing(t *testing.T) {
	file, err := os.Open("../testdata/real/combine-points/wheat-points-1hz.csv.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	plain, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(plain).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	type column struct {
		id    signal.ID
		scale float64
	}
	columns := map[string]column{
		"speed_mph":       {signal.GroundSpeed.ID, 1.609344},
		"flow_lb_s":       {signal.GrainFlow.ID, 0.45359237 * 3.6},
		"engine_load_pct": {signal.EngineLoad.ID, 1},
		"fuel_gal_h":      {signal.FuelRate.ID, 3.785412},
		"moisture_pct":    {signal.GrainMoisture.ID, 1},
	}
	own := machine.DefaultSettings()
	own.RatedPowerKW = 300 // not published; 25 gal/h at full load are about that by ASABE D497.7
	crop := machine.Crop{Name: "wheat", SpecificEnergyKWhT: 3.6, EnergyBasis: machine.PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}
	m := machine.New(own, crop)
	rules := detect.New(detect.DefaultSettings(), detect.Facts{Machine: own, Crop: crop})

	now, cutting, highest := signal.Instant(0), 0, 0.0
	for _, row := range rows[1:] {
		m.Heard(now)
		for i, name := range rows[0] {
			c, ok := columns[name]
			v, err := strconv.ParseFloat(row[i], 64)
			if !ok || err != nil {
				continue
			}
			if c.id == signal.EngineLoad.ID {
				highest = max(highest, v)
			}
			m.Apply(c.id, signal.Reading[float64]{Value: v * c.scale, At: now, Heard: now, Quality: signal.Good})
		}
		for range time.Second / machine.Period {
			s := m.Step(now)
			if s.Activity == machine.Cutting {
				cutting++
			}
			for _, e := range rules.Step(s) {
				t.Errorf("%s %s at %.0f s: %s", e.Phase, e.Kind, e.Raised.Seconds(), e.Text)
			}
			now = now.Add(machine.Period)
		}
	}
	if highest < 100 || len(rows) < 11000 {
		t.Errorf("%d rows, highest load %g %%: not the harvest that this test is about", len(rows), highest)
	}
	if share := float64(cutting) / float64(10*(len(rows)-1)); share < 0.75 {
		t.Errorf("cutting in %.0f %% of points that were recorded while cutting", 100*share)
	}
}
