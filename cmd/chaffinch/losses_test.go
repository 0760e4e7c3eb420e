package main

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

// The strips that make ten square feet of a header's width: Univ. of Missouri
// G1280 and Univ. of Arkansas, rows H052, H053, H054, H055, H056 and H057.
func TestStripsAgainstPublished(t *testing.T) {
	us := usUnits(60)
	for _, id := range []string{"H052", "H053", "H054", "H055", "H056", "H057"} {
		p := outside.PublishedRow(t, id)
		text := number(p.In["width_ft"]) + "x" + number(p.In["length_in"]) + "in"
		m2, err := parseArea(text, &us)
		if err != nil {
			t.Fatal(err)
		}
		if got := m2 / us.area; math.Abs(got-p.Want) > p.Tolerance {
			t.Errorf("%s: %s is %.3f square feet, want %g (%s)", id, text, got, p.Want, p.Source)
		}
	}
}

func number(v float64) string {
	text, _ := json.Marshal(v)
	return string(text)
}

// Worked examples, from the command line to what is printed. The first is
// canola in a pan (Canola Council of Canada, quiz, 2017, row H059); then rice
// behind a 30 ft header (Univ. of Arkansas, 2020, rows H036 and H056); then the
// small-grain method (NDSU, 2003, rows H061 to H063).
func TestLossesPrints(t *testing.T) {
	for _, c := range []struct {
		name string
		args string
		want []string
	}{
		{"canola pan", "--units us --crop canola --cut 30 --band 5 --pan 3g@1",
			[]string{"6.0 times as dense", "machine 0.96 ± 0.06", "909", "header's loss is not known", "Give --yield"}},
		{"rice strip", "--units us --crop rice --per-bushel 19.6 --cut 30 --band 30 --behind 1000@30x4in",
			[]string{"all 5.10 ± 0.32", "cannot be told apart"}},
		{"small grain", "--units us --crop wheat --per-bushel 20 --cut 30 --band 5 --behind 1500@10 --header 200@10 --yield 60 --price 10 --speed 5",
			[]string{"machine 1.08 ± 0.", "all 2.08 ± 0.", "3.36 ± 0.", "20.83", "--standing"}},
		{"all three, metric", "--crop wheat --cut 9 --band 1.5 --standing 20@1 --header 80@1 --behind 680@1 --yield 7 --price 200 --speed 4.444444",
			[]string{"before harvest 7.0 ± 3.1 0.10 ± 0.04 1.40 5.60 20", "header 21.0 ± 6.9", "machine 35.0 ± 3.2 0.50 ± 0.04 7.00 28.00 760", "header and machine 56.0 ±", "all 63.0 ±",
				"Header and machine lose 0.79 ± 0.09 % of the crop: within the 3 % that is acceptable."}},
		{"over", "--crop wheat --cut 9 --band 9 --behind 900@1 --standing 20@1 --header 80@1 --yield 7", []string{"over the 3 % that is acceptable"}},
		{"a pan alone is over", "--crop wheat --cut 9 --band 1.5 --pan 600g@1 --yield 7", []string{"The machine alone loses 12.", "over the 3 %"}},
		{"a pan alone is not over", "--crop wheat --cut 9 --band 1.5 --pan 30g@1 --yield 7", []string{"header's loss is not known"}},
		{"near the target", "--crop wheat --target 0.8 --cut 9 --band 1.5 --standing 20@1 --header 80@1 --behind 680@1 --yield 7", []string{"too near to the 0.8 %"}},
		{"few", "--crop wheat --cut 9 --band 9 --behind 12@0.25", []string{"Only 12 kernels were counted: with 100"}},
		{"patchy", "--crop wheat --cut 9 --band 9 --behind 12@0.25 --behind 60@0.25 --behind 110@0.25", []string{"kernels lay patchily"}},
		{"weighed damp", "--crop wheat --thousand-kernel 40 --kernel-moisture 20 --standing 100@1", []string{"wheat of 37 g a thousand", "37.0 ± 7.3"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := chaffinch(nil, append([]string{"losses"}, strings.Fields(c.args)...)...)
			got := strings.Join(strings.Fields(r.out), " ")
			if r.code != exitDone || r.err != "" {
				t.Fatalf("exit %d: %s", r.code, r.err)
			}
			for _, want := range c.want {
				if !strings.Contains(got, want) {
					t.Errorf("no %q in\n%s", want, r.out)
				}
			}
		})
	}
}

func TestLossesRefuses(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"", "the mass of the kernels is not known; give --crop wheat"},
		{"--crop wheat", "nothing was counted; give --standing"},
		{"--crop whaet --behind 3@1", `did you mean "wheat"?`},
		{"--crop wheat --behind 3@1", "the width that is cut is not known; give --cut"},
		{"--crop wheat --behind 3@1 --cut 9", "how wide the straw and chaff lie behind; give --band"},
		{"--crop wheat --behind 3@1 --cut 9 --band 10", "lies on 10 m of a cut of 9 m"},
		{"--crop wheat --header 3", "an area is missing; write kernels@area"},
		{"--crop wheat --header x@1", `"x" is no number of kernels and no mass`},
		{"--crop wheat --header 3@0x1", `"0x1" is no area`},
		{"--crop wheat --header 3@-1", "an area of -1 m2"},
		{"--crop wheat --header -3@1", "-3 kernels"},
		{"--crop wheat --header NaNg@1", "kernels and NaN g"},
		{"--crop wheat --header 3@1 --yield -4", "--yield is -4; give a number from 0 up"},
		{"--crop wheat --header 3@1 --units feet", `no units "feet"; give metric or us`},
		{"--units us --thousand-kernel 30 --header 3@1", "how many pounds a bushel has"},
		{"--thousand-kernel 30 --per-bushel 20 --bushel 60 --header 3@1", "say the same"},
		{"--crop wheat --kernel-moisture 20 --header 3@1", "--kernel-moisture is for kernels that were weighed"},
		{"--crop wheat --pan 3@1 --behind 4@1 --cut 9 --band 2", "behind the machine and in a pan"},
		{"wheat", "unknown command"},
		{"--corp wheat", "unknown flag"},
	} {
		r := chaffinch(nil, append([]string{"losses"}, strings.Fields(c.args)...)...)
		if r.code != exitUsage || !strings.Contains(r.err, c.want) || r.out != "" {
			t.Errorf("losses %s: exit %d, %q, %q; want %q", c.args, r.code, r.err, r.out, c.want)
		}
	}
	for _, path := range []string{"none.json", "losses_test.go"} {
		r := chaffinch(nil, "losses", "--crop", "wheat", "--standing", "3@1", "--before", path)
		if r.code != exitFailed || r.err == "" {
			t.Errorf("--before %s: exit %d, %q", path, r.code, r.err)
		}
	}
}

// Two counts are compared by what both have; a hundred kernels are wanted.
func TestLossesCompares(t *testing.T) {
	folder := t.TempDir()
	pan := func(kernels string, more ...string) result {
		return chaffinch(nil, append([]string{"losses", "--crop", "wheat", "--cut", "9", "--band", "1.5", "--pan", kernels + "@0.3"}, more...)...)
	}
	for _, c := range []struct{ first, second, outcome, text string }{
		{"200", "120", "less", "less is lost of machine, by 40 %"},
		{"120", "200", "more", "more is lost of machine, by 67 %"},
		{"120", "110", "no clear change", "no clear change of machine (-8 %"},
		{"8", "6", "too few kernels", "nothing can be said, only 8 kernels"},
	} {
		path := filepath.Join(folder, "first.json")
		if err := os.WriteFile(path, []byte(pan(c.first, "--json").out), 0o600); err != nil {
			t.Fatal(err)
		}
		if r := pan(c.second, "--before", path); r.code != exitDone || !strings.Contains(r.out, c.text) {
			t.Errorf("%s to %s: exit %d, %s%s", c.first, c.second, r.code, r.out, r.err)
		}
		var a lossAnswer
		if err := json.Unmarshal([]byte(pan(c.second, "--before", path, "--json").out), &a); err != nil || a.Change == nil || a.Change.Outcome != c.outcome {
			t.Errorf("%s to %s: %v, %+v", c.first, c.second, err, a.Change)
		}
	}
	// Behind and where only the header has passed lay as many.
	path := filepath.Join(folder, "nothing.json")
	behind := func(kernels string, more ...string) result {
		return chaffinch(nil, append([]string{"losses", "--crop", "wheat", "--cut", "9", "--band", "1.5", "--header", "1100@1.1", "--behind", kernels}, more...)...)
	}
	if err := os.WriteFile(path, []byte(behind("300@0.3", "--json").out), 0o600); err != nil {
		t.Fatal(err)
	}
	for second, want := range map[string]string{"3000@0.3": "more is lost of machine, of which next to nothing", "301@0.3": "no clear change of machine, of which next to nothing"} {
		if r := behind(second, "--before", path); !strings.Contains(r.out, want) {
			t.Errorf("%s%s", r.out, r.err)
		}
		if r := behind(second, "--before", path, "--json"); r.code != exitDone {
			t.Error(r.err)
		}
	}
	r := chaffinch(nil, "losses", "--crop", "wheat", "--standing", "3@1", "--before", filepath.Join(folder, "first.json"))
	if !strings.Contains(r.out, "no part in common") {
		t.Errorf("%s%s", r.out, r.err)
	}
}

// The configuration gives crop, cut width and units.
func TestLossesKnowsTheConfiguration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	text := "[machine]\ncut_width_m = 9\n[crop]\nname = \"wheat\"\nthousand_kernel_g = 42\nloss_target_pct = 1\n[units]\nsystem = \"us\"\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := chaffinch(nil, "losses", "--config", path, "--band", "5", "--pan", "3g@1", "--json")
	var a lossAnswer
	if err := json.Unmarshal([]byte(r.out), &a); err != nil {
		t.Fatalf("%v: %s%s", err, r.out, r.err)
	}
	if a.Crop != "wheat" || a.ThousandKernelG != 42 || *a.TargetPct != 1 || math.Abs(a.Concentration-9/(5*0.3048)) > 1e-9 || a.Header != nil || a.Machine == nil {
		t.Errorf("%+v", a)
	}
	// By its name it is the same crop, with what the configuration says of it; and
	// another may have its profile beside the configuration.
	r = chaffinch(nil, "losses", "--config", path, "--crop", "wheat", "--band", "5", "--pan", "3g@1", "--json")
	if err := json.Unmarshal([]byte(r.out), &a); err != nil || a.ThousandKernelG != 42 {
		t.Errorf("%v: %+v, %s", err, a, r.err)
	}
	own, err := os.ReadFile("../../configs/crops/wheat.toml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(filepath.Dir(path), "crops"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(filepath.Dir(path), "crops", "spelt.toml"), own, 0o600); err != nil {
		t.Fatal(err)
	}
	r = chaffinch(nil, "losses", "--config", path, "--crop", "spelt", "--band", "5", "--pan", "3g@1", "--json")
	if err := json.Unmarshal([]byte(r.out), &a); err != nil || a.Crop != "spelt" {
		t.Errorf("%v: %+v, %s", err, a, r.err)
	}
	r = chaffinch(nil, "losses", "--config", path+".none", "--pan", "3g@1")
	if r.code == exitDone {
		t.Error("a configuration that is not there was read")
	}
}
