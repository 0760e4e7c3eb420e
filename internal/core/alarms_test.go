package core

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"chaffinch/detect"
	"chaffinch/internal/config"
	"chaffinch/internal/tables"
)

// Each drop of feed that is told on the real combine's points is in what its own
// sensors recorded: within 15 s before the alarm engine load and weighed flow are
// well under what they were, and the machine has not slowed down. What else is
// told there was looked at by eye: testdata/real/ALARMS.md.
func TestDropsOfFeedAreInTheRealCombinesRecord(t *testing.T) {
	rows := realTable(t, "combine-points/wheat-points-1hz.csv.gz")
	frames := tables.Points(rows, tables.Work{State: true, FlowUntil: 1e9})
	path := filepath.Join(t.TempDir(), "machine.toml")
	if err := os.WriteFile(path, []byte("[machine]\ncut_width_m = 11.9\nrated_power_kw = 300\n[crop]\nname = \"wheat\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	// extremes are the lowest and the mean of a column between two seconds.
	extremes := func(column string, from, to float64) (low, mean float64) {
		low = math.Inf(1)
		n := 0.0
		for i := range rows {
			if s := float64(rows[i].Second); s >= from && s < to {
				v, _ := rows[i].Value(column)
				low, mean, n = min(low, v), mean+v, n+1
			}
		}
		return low, mean / n
	}
	kinds := map[string]int{}
	c, err := New(cfg, Outputs{Event: func(e *detect.Event) {
		if e.Phase != detect.Raised {
			return
		}
		kinds[e.Kind]++
		at := e.Raised.Seconds()
		t.Logf("%.0f s %s: %s", at, e.Kind, e.Text)
		if e.Kind != "feed-drop" {
			return
		}
		_, load := extremes("engine_load_pct", at-45, at-15)
		lowLoad, _ := extremes("engine_load_pct", at-15, at+3)
		_, flow := extremes("flow_lb_s", at-45, at-15)
		lowFlow, _ := extremes("flow_lb_s", at-15, at+3)
		_, was := extremes("speed_mph", at-45, at-15)
		_, is := extremes("speed_mph", at-12, at)
		if lowLoad > load-10 || lowFlow > 0.8*flow || is < 0.7*was {
			t.Errorf("%.0f s: load %.0f to %.0f %%, flow %.0f to %.0f lb/s, speed %.1f to %.1f mph: is that a drop?", at, load, lowLoad, flow, lowFlow, was, is)
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		c.Frame(&frames[i])
	}
	c.Finish()
	if kinds["feed-drop"] < 10 {
		t.Errorf("alarms %v: the record has a dozen drops of feed", kinds)
	}
	for kind := range kinds {
		switch kind {
		case "feed-drop", "spare-capacity", "bus-silent":
		default:
			t.Errorf("%s: the note on alarms does not know of it", kind)
		}
	}
}
