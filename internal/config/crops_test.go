package config

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// A crop that is set while the program runs is the owner's own where he has
// said something of it.
func TestCropNamed(t *testing.T) {
	c := load(t, "owner.good.toml") // soybean of 172.5 g
	for _, one := range []struct {
		name  string
		grams float64
	}{{"soybean", 172.5}, {"wheat", 35}} {
		if crop, err := c.CropNamed(one.name); err != nil || crop.Name != one.name || crop.ThousandKernelG != one.grams {
			t.Errorf("%+v, %v", crop, err)
		}
		if !slices.Contains(c.Crops(), one.name) {
			t.Errorf("%s is not among %v", one.name, c.Crops())
		}
	}
	for _, name := range []string{"", "wheet", "../wheat", "wheat.toml"} {
		if _, err := c.CropNamed(name); err == nil {
			t.Errorf("there is a crop %q", name)
		}
	}
	if _, err := c.CropNamed("wheet"); err == nil || !strings.Contains(err.Error(), "wheat") {
		t.Errorf("no help: %v", err)
	}
}

// Mistakes in the advice are told with those of the configuration.
func TestMistakesInAdviceAreReported(t *testing.T) {
	path := beside(t, [3]string{"levers", "step_pct = 7", "step_pct = \"much\""})
	if err := os.WriteFile(path, []byte("[machine]\nmass_t = -1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, wrong := Load(path); len(wrong) != 2 {
		t.Errorf("%v", wrong)
	}
	var out bytes.Buffer
	err := Check(path, &out)
	for _, want := range []string{"levers.toml", "step_pct", "mass_t", "2 mistakes"} {
		if err == nil || !strings.Contains(out.String(), want) {
			t.Errorf("%v, no %q in\n%s", err, want, out.String())
		}
	}
	if err := os.Remove(filepath.Join(filepath.Dir(path), "advice", "levers.toml")); err != nil {
		t.Fatal(err)
	}
	if _, wrong := Load(path); len(wrong) != 1 {
		t.Errorf("%v", wrong)
	}
}
