package survey

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
)

// mustLoad wants a configuration to be good, and every example in it too.
func mustLoad(t *testing.T, text string) {
	t.Helper()
	var plain strings.Builder
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(line, "#"); ok && !strings.HasPrefix(rest, " ") {
			line = rest
		}
		plain.WriteString(line)
	}
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	for _, content := range []string{text, plain.String()} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, wrong := config.Load(path); len(wrong) > 0 {
			t.Errorf("the configuration does not load: %v\n%s", wrong, content)
		}
	}
}

// harvest surveys a make-believe harvest with a configuration.
func harvest(t *testing.T, sc virtual.Scenario, seed uint64, toml string) *Report {
	t.Helper()
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	if err := os.WriteFile(path, []byte(toml), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	combine := virtual.New(sc, seed)
	for f := range combine.Frames() {
		s.Frame(f)
	}
	return s.Report([]string{"can0"}, canbus.Stats{})
}

// What the make-believe combine sends: engine, speed and position always;
// process data, header and GNSS detail in the generic set; and the frames of
// its maker, which the owner's maps name, in the full one.
var (
	always = []signal.ID{signal.GroundSpeed.ID, signal.EngineSpeed.ID, signal.EngineLoad.ID, signal.EngineTorque.ID,
		signal.FuelRate.ID, signal.Coolant.ID, signal.Latitude.ID, signal.Longitude.ID}
	asGeneric = []signal.ID{signal.FanSpeed.ID, signal.Concave.ID, signal.UpperSieve.ID, signal.LowerSieve.ID, signal.HeaderHeight.ID,
		signal.HeaderWorking.ID, signal.ThreshingEngaged.ID, signal.Unloading.ID, signal.CutWidth.ID, signal.GrainFlow.ID,
		signal.GrainMoisture.ID, signal.CropLoss.ID, signal.Heading.ID, signal.Altitude.ID, signal.Pitch.ID}
	byMaps = []signal.ID{signal.RotorSpeed.ID, signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.Returns.ID,
		signal.BrokenGrain.ID, signal.Trash.ID, signal.FeederLoad.ID}
)

func TestWhatACombineTells(t *testing.T) {
	noMaps := []string{"rotor-slowing", "separation-loss-high", "cleaning-loss-high", "returns-high", "broken-grain-high", "trash-high"}
	for _, c := range []struct {
		set, kind string
		heard     [][]signal.ID
		blind     []string // alarms
	}{
		{"full", "This is a combine harvester", [][]signal.ID{always, asGeneric, byMaps}, nil},
		{"generic", "This is a combine harvester", [][]signal.ID{always, asGeneric}, noMaps},
		{"bare", "This is a harvester", [][]signal.ID{always},
			append([]string{"feed-drop", "feed-uneven", "spare-capacity", "crop-loss-high"}, noMaps...)},
	} {
		for _, random := range []bool{false, true} {
			sc := virtual.DemoFor(0.05)
			if random {
				sc = virtual.Random(7, 0.05)
				sc.InCrop, sc.Events = true, nil
			}
			sc.Signals = c.set
			r := harvest(t, sc, 1, virtual.ConfigText(sc))
			heard := slices.Concat(c.heard...)
			for id := range signal.ID(signal.Count) {
				want := isMissing
				if slices.Contains(heard, id) {
					want = isHeard
				}
				if got := r.Signals[id].State; got != want {
					t.Errorf("%s: %s is %s, want %s", c.set, id, got, want)
				}
			}
			for _, a := range r.Alarms {
				if want := !slices.Contains(c.blind, a.Kind); a.Possible != want {
					t.Errorf("%s: %s possible: %v, missing %v", c.set, a.Kind, a.Possible, a.Missing)
				}
			}
			if !strings.HasPrefix(r.Verdict[0], c.kind) {
				t.Errorf("%s: %s", c.set, r.Verdict[0])
			}
			if tasks := len(r.Tasks) > 0; tasks != (c.set != "bare") || tasks != (len(r.Values) > 0) {
				t.Errorf("%s: task controllers %v, values %d", c.set, r.Tasks, len(r.Values))
			}
			if !r.Cutting.Possible || !r.Feed[0].Possible || r.Feed[1].Possible != (c.set != "bare") {
				t.Errorf("%s: cutting %v, feed %v", c.set, r.Cutting, r.Feed)
			}
			mustLoad(t, r.Config)
		}
	}
}

// Without the owner's maps the maker's frames stay dark, and the template for
// them names a group that is there.
func TestAMachineWhoseFramesNobodyHasNamed(t *testing.T) {
	sc := virtual.DemoFor(0.05)
	r := harvest(t, sc, 1, "")
	for _, id := range byMaps {
		if s := r.Signals[id]; s.State != isMissing || !strings.Contains(s.Do, "chaffinch find") {
			t.Errorf("%s: %s, %q", id, s.State, s.Do)
		}
	}
	rotor := r.Signals[signal.RotorSpeed.ID]
	if !slices.Equal(rotor.Blind, []string{"rotor-slowing"}) {
		t.Errorf("without the rotor it is blind for %v", rotor.Blind)
	}
	if !strings.Contains(r.Config, "#signal = \"rotor_speed_rpm\"\n#pgn = 65") {
		t.Error(r.Config)
	}
	mustLoad(t, r.Config)
}

// A signal that its sender stops sending, and a survey that ends then.
func TestASignalThatFallsSilent(t *testing.T) {
	sc := virtual.DemoFor(0.05)
	sc.Events = []virtual.Trouble{{At: 100, Kind: "silent", Signal: "rotor_speed_rpm", For: 300}}
	r := harvest(t, sc, 1, virtual.ConfigText(sc))
	rotor := r.Signals[signal.RotorSpeed.ID]
	if rotor.State == isHeard || rotor.State == isMissing || rotor.WithoutS < 60 || len(rotor.Blind) == 0 {
		t.Errorf("%+v", rotor)
	}
}

// At key-on the combine claims addresses and uploads its description.
func TestAPoolIsTold(t *testing.T) {
	sc := virtual.Random(4, 0.05)
	sc.Signals, sc.Pool, sc.InCrop = "generic", true, false
	r := harvest(t, sc, 4, virtual.ConfigText(sc))
	if len(r.Pools) != 1 || len(r.Pools[0].Elements) < 3 || !slices.Contains(r.Pools[0].DDIs, 87) {
		t.Fatalf("%+v", r.Pools)
	}
	if out := text(t, r, false); !strings.Contains(out, "described itself") || !strings.Contains(out, r.Pools[0].Designator) {
		t.Error(out)
	}
}
