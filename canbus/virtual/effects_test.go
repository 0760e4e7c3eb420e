package virtual

import (
	"fmt"
	"math"
	"runtime"
	"testing"

	"chaffinch/internal/outside"
)

// The rotor's loss is that of the published form (its check values H099, H100).
func TestPassesOfTheRotor(t *testing.T) {
	for _, id := range []string{"H099", "H100"} {
		k := outside.PublishedRow(t, id)
		if k.In["length_m"] != rotorM {
			t.Fatal("another length")
		}
		u, f := passes(k.In["lam"], k.In["beta"])
		near(t, id, 100*(u+f), k.Want, k.Tolerance)
	}
	u, f := passes(2, 2)
	v, g := passes(2, 2.001)
	near(t, "equal rates", u+f, v+g, 1e-3)
}

// How a quantity goes as a lever goes up.
type course byte

const (
	up   course = '+'
	down course = '-'
	same course = '0'
	best course = 'v' // least in the middle
)

// quantities are what levers act on, in the order of the columns below.
var quantities = []struct {
	name string
	of   func(l *Levels) float64
}{
	{"separation loss", func(l *Levels) float64 { return l.SeparationPct }},
	{"cleaning loss", func(l *Levels) float64 { return l.CleaningPct }},
	{"header loss", func(l *Levels) float64 { return l.HeaderPct }},
	{"returns", func(l *Levels) float64 { return l.Returns }},
	{"unthreshed", func(l *Levels) float64 { return l.UnthreshedPct }},
	{"broken", func(l *Levels) float64 { return l.BrokenPct }},
	{"trash", func(l *Levels) float64 { return l.TrashPct }},
	{"power", func(l *Levels) float64 { return l.PowerKW }},
	{"feed", func(l *Levels) float64 { return l.FeedTH }},
	{"bunches", func(l *Levels) float64 { return l.Bunch }},
}

// Directions by the trade's adjustment order: what is tried for a symptom
// lowers it, what "can get worse" rises. Sources as in effects.go, where there
// is none common practice. Returns under rotor, concave and fan depend on what
// they carry ('?').
func TestDirectionOfEveryLever(t *testing.T) {
	table := map[int]string{
		//            sep clean head ret unthr broken trash power feed bunch
		leverSpeed:   "++++" + "+-+++0",
		leverRotor:   "-+0?" + "-+++00",
		leverConcave: "v-0?" + "+---00",
		leverFan:     "0v0v" + "0+-+00",
		leverUpper:   "0-0+" + "00+000",
		leverLower:   "0-0-" + "0-+000",
		leverCut:     "--+-" + "-+--?0",
		leverReel:    "00v0" + "00000v",
	}
	for _, crop := range crops {
		for _, hour := range []string{"05", "10", "16"} {
			c := New(Scenario{Crop: crop.Name, Start: "2024-07-30T" + hour + ":00:00Z", Hours: 0.1}, 1)
			for l, want := range table {
				if _, err := leverNamed(levers[l].name, &c.crop); err != nil {
					continue
				}
				low, high := reach(l, &c.crop, c.levers.usual[l])
				step := stepOf(l, &c.crop, c.levers.usual[l])
				low, high = max(low, c.levers.usual[l]-4*step), min(high, c.levers.usual[l]+4*step)
				const points = 40
				for q, quantity := range quantities {
					if want[q] == '?' {
						continue
					}
					var at []float64
					for i := range points + 1 {
						p := c.levers.usual
						p[l] = low + (high-low)*float64(i)/points
						levels := c.steady(&p)
						at = append(at, quantity.of(&levels))
					}
					if got, ok := goes(at, course(want[q])); !ok {
						t.Errorf("%s at %s h: %s up from %.4g to %.4g: %s %s, want %c", crop.Name, hour, levers[l].name, low, high, quantity.name, got, want[q])
					}
				}
			}
		}
	}
}

// goes compares a curve with a course.
func goes(y []float64, want course) (got string, ok bool) {
	rises, falls, least := 0, 0, 0
	for i := 1; i < len(y); i++ {
		switch d := y[i] - y[i-1]; {
		case d > 1e-12*math.Abs(y[i]):
			rises++
		case d < -1e-12*math.Abs(y[i]):
			falls++
		}
		if y[i] < y[least] {
			least = i
		}
	}
	got = fmt.Sprintf("goes from %.4g over %.4g to %.4g", y[0], y[least], y[len(y)-1])
	switch want {
	case up:
		return got, falls == 0 && rises == len(y)-1
	case down:
		return got, rises == 0 && falls == len(y)-1
	case best: // falls, then rises
		ends := y[0] > 1.02*y[least] && y[len(y)-1] > 1.02*y[least]
		for i := 1; i < len(y); i++ {
			if i <= least && y[i] > y[i-1] || i > least && y[i] < y[i-1] {
				ends = false
			}
		}
		return got, ends
	}
	return got, rises == 0 && falls == 0
}

// At the usual settings nothing is multiplied, in any crop, feed and damp.
func TestUsualSettingsHaveNoEffect(t *testing.T) {
	for _, m := range models {
		for _, k := range crops {
			usual := usualPositions(&m, &k, 78)
			for _, x := range []float64{0.2, 0.86, 1.5} {
				for _, damp := range []float64{-0.25, 0.2, 0.75} {
					for i, v := range effectsOf(&k, &usual, &usual, x, damp) {
						if math.Abs(v-noEffects[i]) > 1e-12 {
							t.Errorf("%s in %s: effect %d is %g", m.Name, k.Name, i, v)
						}
					}
				}
			}
		}
	}
}

// A scenario without settings gives the frames that it gave before there were
// levers.
func TestFramesWithoutSettings(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the hashes are those of amd64; " + runtime.GOARCH + " may round otherwise")
	}
	was := map[string]string{
		"wheat": "23748062577d0bc4", "barley": "c5fc509c9a309c50", "oats": "82c7cc1e732b33e1", "maize": "c2f4d2d2a5c34e42",
		"soybean": "dafe40a25cefe5c6", "canola": "6bfacc7256397804", "rice": "9bcca20665d534b7",
	}
	for i, k := range crops {
		s := Scenario{Machine: models[i%5].Name, Crop: k.Name, Hours: 0.04, InCrop: i%2 == 0, Pool: true, Uneven: 0.09, SlopePct: 2, Events: []Trouble{{At: 60, Kind: "slug"}}}
		h := hash(s, uint64(i+1))
		if got := fmt.Sprintf("%x", h[:8]); got != was[k.Name] {
			t.Errorf("%s: %s, was %s", k.Name, got, was[k.Name])
		}
	}
	h := hash(Demo(), 1)
	if got := fmt.Sprintf("%x", h[:8]); got != "02a206755dd281ea" {
		t.Errorf("the demonstration: %s", got)
	}
}
