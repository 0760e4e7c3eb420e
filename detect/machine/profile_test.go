package machine

import (
	"math"
	"testing"

	"chaffinch/canbus/signal"
)

func TestDefaultsAreValid(t *testing.T) {
	for _, p := range DefaultSettings().Validate() {
		t.Error(p)
	}
}

func TestSettingsValidate(t *testing.T) {
	num := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name string
		edit func(*Settings)
		key  string // of the only problem; empty: none
	}{
		{"not known is no mistake", func(s *Settings) { s.CutWidth, s.RatedPowerKW, s.RotorDiameter = 0, 0, 0 }, ""},
		{"a whole machine", func(s *Settings) { s.CutWidth, s.RatedPowerKW, s.RotorDiameter = 9.14, 280, 0.762 }, ""},
		{"width in feet", func(s *Settings) { s.CutWidth = 30 }, "machine.cut_width_m"},
		{"mass in kg", func(s *Settings) { s.MassT = 18000 }, "machine.mass_t"},
		{"mass is not a number", func(s *Settings) { s.MassT = math.NaN() }, "machine.mass_t"},
		{"name with a slash", func(s *Settings) { s.Name = "north/1" }, "machine.name"},
		{"one bound", func(s *Settings) { s.Limits = map[string]Limit{"fan_speed_rpm": {Max: num(1100)}} }, ""},
		{"no bound", func(s *Settings) { s.Limits = map[string]Limit{"fan_speed_rpm": {}} }, "machine.limits.fan_speed_rpm"},
		{"bounds exchanged", func(s *Settings) {
			s.Limits = map[string]Limit{"rotor_speed_rpm": {Min: num(900), Max: num(500)}}
		}, "machine.limits.rotor_speed_rpm"},
		{"bound out of the world", func(s *Settings) { s.Limits = map[string]Limit{"concave_mm": {Max: num(300)}} }, "machine.limits.concave_mm.max"},
		{"limit of what is measured", func(s *Settings) { s.Limits = map[string]Limit{"coolant_c": {Max: num(100)}} }, "machine.limits.coolant_c"},
		{"lever twice", func(s *Settings) { s.SeatAdjustable = []string{"reel", "concave", "reel"} }, "machine.seat_adjustable.2"},
	} {
		s := DefaultSettings()
		c.edit(&s)
		got := s.Validate()
		switch {
		case c.key == "" && len(got) == 0:
		case len(got) == 1 && got[0].Key == c.key && got[0].What != "" && got[0].Try != "":
		default:
			t.Errorf("%s: got %v, want one problem at %q", c.name, got, c.key)
		}
	}
}

func TestEveryLimitIsOfASignal(t *testing.T) {
	for _, id := range settable {
		if _, ok := signal.ByName(id.String()); !ok {
			t.Errorf("%v is no signal", id)
		}
	}
}

// Worked examples A and B of a field at 6 and 11 t/ha with the rotary power form
// of ASABE D497 (small grains 3.6 kWh per t of MOG, from memory; maize 1.6 per t
// of grain): the energy per tonne of all that is taken in gives the same power.
func TestEnergyPerTonneOfFeed(t *testing.T) {
	for _, c := range []struct {
		name              string
		crop              Crop
		grainTH, rotaryKW float64
	}{
		{"wheat", Crop{SpecificEnergyKWhT: 3.6, EnergyBasis: PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}, 27.43, 99.0},
		{"maize", Crop{SpecificEnergyKWhT: 1.6, EnergyBasis: PerGrain, IdlePowerKW: 35, MOGRatio: 0.28}, 40.2, 99.4},
	} {
		feed := c.grainTH * (1 + c.crop.MOGRatio)
		if got := c.crop.IdlePowerKW + c.crop.KWhPerTonneOfFeed()*feed; math.Abs(got-c.rotaryKW) > 0.1 {
			t.Errorf("%s: %.2f kW, want %.1f", c.name, got, c.rotaryKW)
		}
	}
}
