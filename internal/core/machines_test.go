package core

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/outside"
	"chaffinch/internal/tables"
)

// heardState is what was said in a second of a recorded harvest.
type heardState struct {
	activity machine.Activity
	feed, sd float64
	basis    machine.FeedBasis
	full     float64
}

// listen runs frames through a core with a configuration, second by second of
// the source's clock after its first frame.
func listen(t *testing.T, text string, frames []canbus.Frame) ([]heardState, machine.Ledger) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "machine.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	var seconds []heardState
	var ledger machine.Ledger
	var c *Core
	c, err := New(cfg, Outputs{State: func(s *machine.State) {
		at := int((c.Stamp(s.Now) - c.FirstStamp()) / int64(time.Second))
		for len(seconds) <= at {
			seconds = append(seconds, heardState{})
		}
		full := math.NaN()
		if s.Feed.FullnessKnown {
			full = float64(s.Feed.Fullness)
		}
		seconds[at] = heardState{s.Activity, float64(s.Feed.Rate), float64(s.Feed.SD), s.Feed.Basis, full}
		ledger = s.Ledger
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		c.Frame(&frames[i])
	}
	c.Finish()
	return seconds, ledger
}

// likeness is the correlation of means over 30 s, the ratio of all of one to
// all of the other, and the rms of what is left of their ratio.
func likeness(got, want []float64) (correlation, ratio, rest float64, n int) {
	var g, w []float64
	for i := 0; i+30 <= len(got); i += 30 {
		var a, b float64
		for k := i; k < i+30; k++ {
			a, b = a+got[k]/30, b+want[k]/30
		}
		g, w = append(g, a), append(w, b)
	}
	n = len(g)
	var mg, mw float64
	for i := range g {
		mg, mw = mg+g[i]/float64(n), mw+w[i]/float64(n)
	}
	var gg, ww, gw float64
	for i := range g {
		gg += (g[i] - mg) * (g[i] - mg)
		ww += (w[i] - mw) * (w[i] - mw)
		gw += (g[i] - mg) * (w[i] - mw)
		miss := (g[i]/mg - w[i]/mw)
		rest += miss * miss / float64(n)
	}
	return gw / math.Sqrt(gg*ww), mg / mw, math.Sqrt(rest), n
}

func realTable(t *testing.T, path string) []tables.Row {
	t.Helper()
	rows, err := tables.ReadRows(filepath.Join("..", "..", "testdata", "real", path))
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// The 1 Hz table of a real forage harvester (source and licence beside it). It
// is no combine, but its drum, engine and crop make the same form of power; its
// feed rolls measure the crop where it enters, and its totals are its own.
func TestARealForageHarvester(t *testing.T) {
	rows := realTable(t, "forage-harvester-1hz/forage-harvester-1hz.csv.gz")
	const learning = 2400 // s with the flow; then power alone
	text := "[machine]\ncut_width_m = 9\nrated_power_kw = 390\nmass_t = 15\n[crop]\nname = \"wheat\"\nmog_ratio = 0.02\nspecific_energy_kwh_t = 1.6\nspecific_energy_basis = \"grain\"\n"
	for _, c := range []struct {
		name  string
		work  tables.Work
		right float64 // share of seconds in which the work state agrees
		alike float64 // correlation of the feed with the recorded flow
		level float64 // its level is right to this; 0: without the flow nobody could know it
	}{
		{"with work state", tables.Work{State: true, FlowUntil: 1e9}, 0.98, 0.93, 0.08},
		{"the flow falls silent", tables.Work{State: true, FlowUntil: learning}, 0.98, 0.88, 0.2},
		{"engine, wheel speed and position", tables.Work{FlowUntil: learning}, 0.93, 0.86, 0.25},
		{"the same, never a flow", tables.Work{}, 0.93, 0.92, 0},
	} {
		said, ledger := listen(t, text, tables.Forage(rows, c.work))
		agree, judged := 0, 0
		var got, want []float64
		for _, r := range rows {
			if r.Second >= len(said) {
				continue
			}
			state, _ := r.Value("work_state")
			speed, _ := r.Value("speed_km_h")
			flow, _ := r.Value("mass_flow_kg_s")
			s := said[min(r.Second+1, len(said)-1)]
			judged++
			atWork := state == 1 && speed > 1
			if (s.activity == machine.Cutting) == atWork {
				agree++
			}
			if r.Second > learning && atWork && s.activity == machine.Cutting {
				got, want = append(got, s.feed), append(want, flow*3.6*tables.ForageFlow)
			}
		}
		share := float64(agree) / float64(judged)
		correlation, ratio, rest, n := likeness(got, want)
		t.Logf("%s: work state agrees in %.1f %% of %d s; feed by power against its own flow after %d s: %d means of 30 s, correlation %.3f, level %.3f, rest %.1f %%; %v in the ledger",
			c.name, 100*share, judged, learning, n, correlation, ratio, 100*rest, ledger.Total())
		if share < c.right {
			t.Errorf("%s: work state agrees in %.1f %%", c.name, 100*share)
		}
		if n < 40 || correlation < c.alike || c.level > 0 && math.Abs(ratio-1) > c.level {
			t.Errorf("%s: %d means, correlation %.3f, level %.3f", c.name, n, correlation, ratio)
		}
		last := rows[len(rows)-1].Second - rows[0].Second
		if got := ledger.Total().Seconds(); math.Abs(got-float64(last)) > 2 {
			t.Errorf("%s: %.1f s in the ledger, the table lasts %d s", c.name, got, last)
		}
		if c.work.State {
			// The machine's own effective time is 3,559 s; of these it stood for some.
			if cut := ledger.In(machine.Cutting).Seconds(); math.Abs(cut-3559) > 0.04*3559 {
				t.Errorf("%s: %.0f s of cutting, the machine says 3559", c.name, cut)
			}
		}
	}
}

// Three hours of a real combine in wheat (source and licence beside the file).
// Only rows at work were published. Feed by power alone, after 40 minutes with
// the grain flow, against the flow that its own sensor went on to record.
func TestARealCombinesPoints(t *testing.T) {
	const learning = 2400
	text := "[machine]\ncut_width_m = 11.9\nrated_power_kw = 300\n[crop]\nname = \"wheat\"\n"
	for _, c := range []struct {
		name  string
		work  tables.Work
		alike float64
		level float64
	}{
		{"flow for 40 minutes", tables.Work{State: true, FlowUntil: learning}, 0.86, 0.15},
		{"flow all the time", tables.Work{State: true, FlowUntil: 1e9}, 0.90, 0.08},
		{"never a flow", tables.Work{State: true}, 0.86, 0},
	} {
		rows := realTable(t, "combine-points/wheat-points-1hz.csv.gz")
		said, _ := listen(t, text, tables.Points(rows, c.work))
		var got, want []float64
		inside := 0
		for i, r := range rows {
			if r.Second <= learning || r.Second+1 >= len(said) || i < 5 {
				continue
			}
			s := said[r.Second+1]
			// What is at the knife is in the threshing element some seconds later.
			flow, _ := rows[i-3].Value("flow_lb_s")
			if s.activity == machine.Cutting {
				all := flow * 0.45359237 * 3.6 * 1.8 // with the MOG ratio of the profile
				got, want = append(got, s.feed), append(want, all)
				if math.Abs(s.feed-all) < s.sd {
					inside++
				}
			}
		}
		correlation, ratio, rest, n := likeness(got, want)
		t.Logf("%s: %d means of 30 s, correlation %.3f, level %.3f, rest %.1f %%, %.0f %% of seconds within the stated SD",
			c.name, n, correlation, ratio, 100*rest, 100*float64(inside)/float64(len(got)))
		if n < 200 || correlation < c.alike || c.level > 0 && math.Abs(ratio-1) > c.level {
			t.Errorf("%s: %d means, correlation %.3f, level %.3f", c.name, n, correlation, ratio)
		}
	}
}

// The real combine of TestARealCombinesHarvest has no engine load: fuel, width,
// positions and a late grain flow. What is said to enter is what its sensor
// weighs ten seconds later; and while that lags at the start of a pass, nobody
// is told that surely nothing enters.
func TestARealCombinesFeed(t *testing.T) {
	folder := outside.Private(t, "CHAFFINCH_TABLES")
	rows, err := tables.ReadRows(filepath.Join(folder, "combine-1hz", "combine-1hz.csv.gz"))
	if err != nil {
		t.Fatal(err)
	}
	text := "[machine]\ncut_width_m = 10.97\n[crop]\nname = \"canola\"\n" + tables.CombineMaps
	said, ledger := listen(t, text, tables.Combine(rows))
	var got, want []float64
	entered, sure := 0, 0
	for i, r := range rows {
		if r.Second+1 >= len(said) || i+10 >= len(rows) {
			continue
		}
		s := said[r.Second+1]
		if s.activity != machine.Cutting {
			entered = 0
			continue
		}
		flow, _ := rows[i+10].Value("wet_mass_flow_kg_s")
		all := flow * 3.6 * 2.9
		if entered++; entered > 3 && s.basis != machine.NoFeed && all > 20 && s.feed+2*s.sd < 0.25*all {
			sure++
		}
		if r.Second > 1200 && entered > 15 && s.basis != machine.NoFeed {
			got, want = append(got, s.feed), append(want, all)
		}
	}
	correlation, ratio, rest, n := likeness(got, want)
	t.Logf("%d means of 30 s, correlation %.3f, level %.3f, rest %.1f %%; %d s of surely nothing while crop went in; %v in the ledger",
		n, correlation, ratio, 100*rest, sure, ledger.Total())
	if n < 50 || correlation < 0.85 || math.Abs(ratio-1) > 0.1 || sure > 20 {
		t.Errorf("%d means, correlation %.3f, level %.3f, %d s of surely nothing", n, correlation, ratio, sure)
	}
}

// The feed rate, added up over the day, is the mass that the forage harvester's
// own sensor counted at work: 232.9 of its 259.5 t; the rest it counted while its
// work state was off.
func TestARealForageHarvestersMass(t *testing.T) {
	rows := realTable(t, "forage-harvester-1hz/forage-harvester-1hz.csv.gz")
	text := "[machine]\ncut_width_m = 9\nrated_power_kw = 390\nmass_t = 15\n[crop]\nname = \"wheat\"\nmog_ratio = 0.02\nspecific_energy_kwh_t = 1.6\nspecific_energy_basis = \"grain\"\n"
	said, _ := listen(t, text, tables.Forage(rows, tables.Work{State: true, FlowUntil: 1e9}))
	var entered, counted float64
	for _, s := range said {
		entered += s.feed / 3.6 / tables.ForageFlow / 1000 / 1.02
	}
	for i, r := range rows[:len(rows)-1] {
		flow, _ := r.Value("mass_flow_kg_s")
		if state, _ := r.Value("work_state"); state == 1 {
			counted += flow / 1000 * float64(rows[i+1].Second-r.Second)
		}
	}
	t.Logf("%.1f t by the feed rate, %.1f t by its own flow at work", entered, counted)
	if math.Abs(entered-counted) > 0.05*counted {
		t.Errorf("%.1f t by the feed rate, %.1f t by its own flow at work", entered, counted)
	}
}
