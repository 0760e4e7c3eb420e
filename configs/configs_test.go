package configs

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

// the crops that the contract names.
var contract = []string{
	"wheat", "barley", "oats", "rye", "maize", "soybean", "canola", "sunflower", "sorghum", "rice", "pea", "flax",
}

func TestEveryCropIsThere(t *testing.T) {
	got := Crops("")
	want := slices.Sorted(slices.Values(contract))
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// value reads `key = number` of a profile, by hand: the strict reading of the
// same files is tested where it is done.
func value(t *testing.T, crop, key string) float64 {
	t.Helper()
	text, _, err := Crop("", crop)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(string(text), "\n") {
		if rest, ok := strings.CutPrefix(line, key+" = "); ok {
			v, err := strconv.ParseFloat(rest, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("%s has no %s", crop, key)
	return 0
}

// Each value has its source in the comment above it.
func TestEveryValueHasItsSource(t *testing.T) {
	for _, crop := range Crops("") {
		text, _, err := Crop("", crop)
		if err != nil {
			t.Fatal(err)
		}
		comment, values := "", 0
		for _, line := range strings.Split(string(text), "\n") {
			switch {
			case strings.HasPrefix(line, "#"):
				comment += line + "\n"
			case line == "":
				comment = ""
			default:
				values++
				_, source, ok := strings.Cut(comment, "# Source: ")
				if !ok || len(source) < len("from memory") {
					t.Errorf("%s: %s: no source above it", crop, line)
				}
				comment = ""
			}
		}
		if values != 8 {
			t.Errorf("%s has %d values, want 8", crop, values)
		}
	}
}

// The design's mass of straw and chaff per mass of grain (common practice, no
// source), and the usual range of kernel mass (the trade's, from memory).
func TestRatiosAndRanges(t *testing.T) {
	for crop, c := range map[string]struct{ mog, kernelMin, kernelMax float64 }{
		"wheat": {0.8, 25, 50}, "barley": {0.8, 30, 55}, "oats": {1.0, 25, 45}, "rye": {1.2, 20, 40},
		"maize": {0.28, 200, 400}, "soybean": {0.9, 110, 220}, "canola": {1.9, 2.5, 6}, "sunflower": {0.8, 40, 75},
		"sorghum": {0.7, 20, 35}, "rice": {1.1, 20, 32}, "pea": {0.9, 130, 300}, "flax": {1.5, 5, 7},
	} {
		if got := value(t, crop, "mog_ratio"); got != c.mog {
			t.Errorf("%s: mog_ratio %g, want %g", crop, got, c.mog)
		}
		if got := value(t, crop, "thousand_kernel_g"); got < c.kernelMin || got > c.kernelMax {
			t.Errorf("%s: thousand_kernel_g %g, want %g to %g", crop, got, c.kernelMin, c.kernelMax)
		}
		if got := value(t, crop, "loss_target_pct"); got < 1 || got > 5 {
			t.Errorf("%s: loss_target_pct %g", crop, got)
		}
	}
}

// check is a row of the table of published figures.
// Counting rules are published as kernels on a square foot for a bushel an acre
// (NDSU 2003, Kansas State 2022, Missouri G1280, NDSU EB-25) or kernels on a
// tenth of a square metre for 100 kg/ha (DPIRD Western Australia). Each implies
// a kernel mass. Seed size differs between countries by 15 to 20 %, so a
// profile's must lie within 25 % of every rule of its crop.
func TestKernelMassAgainstPublishedCountingRules(t *testing.T) {
	crops := map[string]string{
		"HRS wheat": "wheat", "wheat": "wheat", "barley": "barley", "oats": "oats", "maize": "maize",
		"soybean": "soybean", "canola": "canola", "field pea": "pea", "rice": "rice",
		// Not profiles, or another type of seed: the sunflower rule fits
		// confection seed, twice the mass of the oil type of the profile.
		"durum": "", "lupin": "", "red lentil": "", "sunflower": "",
	}
	seen := map[string]int{}
	for _, c := range outside.AllPublished(t) {
		_, of, ok := strings.Cut(c.Quantity, "thousand-kernel mass implied by ")
		if c.Quantity == "kernel mass implied by rice rule" { // California Rice Research Board, 1971
			ok, of = true, "rule: rice"
		}
		if !ok {
			continue
		}
		_, name, _ := strings.Cut(of, ": ")
		crop, known := crops[name]
		if !known {
			t.Errorf("%s: crop %q is not on the list", c.ID, name)
		}
		if crop == "" {
			continue
		}
		seen[crop]++
		if got := value(t, crop, "thousand_kernel_g"); math.Abs(got/c.Want-1) > 0.25 {
			t.Errorf("%s: %s: %g g, the rule implies %g (%s)", c.ID, crop, got, c.Want, c.Source)
		}
	}
	for _, crop := range []string{"wheat", "barley", "oats", "maize", "soybean", "canola", "pea", "rice"} {
		if seen[crop] == 0 {
			t.Errorf("no rule was compared with %s", crop)
		}
	}
}

// Legal bushels in pounds, from the rows on bushels an acre; in kg/hl by the
// definitions of the pound (0.45359237 kg) and the US bushel (2150.42 in3 =
// 35.2391 L).
func TestTestWeightAgainstLegalBushels(t *testing.T) {
	crops := map[string][]string{
		"wheat or soybean or peas": {"wheat", "soybean", "pea"},
		"maize sorghum rye flax":   {"maize", "sorghum", "rye", "flax"},
		"canola":                   {"canola"}, "barley": {"barley"}, "rice": {"rice"}, "oats (US)": {"oats"},
	}
	compared := 0
	for _, c := range outside.AllPublished(t) {
		_, name, ok := strings.Cut(c.Quantity, "1 bu/ac in kg/ha: ")
		if !ok {
			continue
		}
		if len(crops[name]) == 0 {
			t.Errorf("%s: %q is not on the list", c.ID, name)
		}
		pounds := c.Want * 0.40468564 / 0.45359237 // back from kg/ha
		want := pounds * 0.45359237 / 0.352391
		for _, crop := range crops[name] {
			compared++
			if got := value(t, crop, "test_weight_kg_hl"); math.Abs(got-want) > 0.1 {
				t.Errorf("%s: %s: %g kg/hl, want %.2f (%s)", c.ID, crop, got, want, c.Source)
			}
		}
	}
	if compared != 11 {
		t.Errorf("%d crops compared, want 11", compared)
	}
}

// Standard moistures of the University of Missouri conversion tables, and the
// rotary power of ASABE D497 (maize as publicly transcribed, small grains from
// memory).
func TestMoistureAndEnergyAgainstPublishedTables(t *testing.T) {
	moistures, energies := 0, 0
	for _, c := range outside.AllPublished(t) {
		if _, crop, ok := strings.Cut(c.Quantity, "wet mass of one standard bushel: "); ok {
			moistures++
			if got := value(t, crop, "moisture_pct"); got != c.In["m_std"] {
				t.Errorf("%s: %s: %g %%, want %g", c.ID, crop, got, c.In["m_std"])
			}
		}
		if strings.HasPrefix(c.Quantity, "rotary power, ") {
			energies++
			crop := "wheat"
			if strings.Contains(c.Quantity, "maize") {
				crop = "maize"
			}
			got := value(t, crop, "idle_power_kw") + value(t, crop, "specific_energy_kwh_t")*c.In["feed_t_h"]
			if math.Abs(got-c.Want) > 0.01 {
				t.Errorf("%s: %s: %g kW, want %g", c.ID, crop, got, c.Want)
			}
		}
	}
	if moistures != 8 || energies != 2 {
		t.Errorf("%d moistures and %d energies compared, want 8 and 2", moistures, energies)
	}
}

func TestFolderWins(t *testing.T) {
	folder := t.TempDir()
	for name, text := range map[string]string{"wheat.toml": "mine", "emmer.toml": "new", "Bad Name.toml": "x", "notes.txt": "x"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]string{"wheat": "mine", "emmer": "new"} {
		if text, from, err := Crop(folder, name); err != nil || string(text) != want || from != filepath.Join(folder, name+".toml") {
			t.Errorf("%s: %q from %q, %v", name, text, from, err)
		}
	}
	if text, from, err := Crop(folder, "rye"); err != nil || len(text) == 0 || !strings.HasPrefix(from, Within) {
		t.Errorf("rye from %q, %v", from, err)
	}
	if got := Crops(folder); len(got) != len(contract)+1 || !slices.Contains(got, "emmer") {
		t.Errorf("crops: %v", got)
	}
	for _, name := range []string{"", "nothing", "../configs", "a/b", "WHEAT", "Bad Name", strings.Repeat("x", 300)} {
		if _, _, err := Crop(folder, name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestAdviceFolderWins(t *testing.T) {
	folder := t.TempDir()
	for _, name := range []string{"trash.toml", "mine.toml"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte("mine"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if text, from, err := Advice(folder, "trash"); err != nil || string(text) != "mine" || from != filepath.Join(folder, "trash.toml") {
		t.Errorf("trash: %q from %q, %v", text, from, err)
	}
	if text, from, err := Advice(folder, "levers"); err != nil || len(text) == 0 || !strings.HasPrefix(from, Within) {
		t.Errorf("levers from %q, %v", from, err)
	}
	for _, name := range []string{"", "mine", "../configs", "PROMPTS"} {
		if _, _, err := Advice(folder, name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%q: %v", name, err)
		}
	}
	if n := len(AdviceFiles()); n != 15 {
		t.Errorf("%d files of advice", n)
	}
}
