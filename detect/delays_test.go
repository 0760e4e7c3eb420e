package detect

import (
	"math"
	"testing"

	"chaffinch/internal/outside"
)

// A rotor of 50 kg m2 at 860 rpm loses a tenth of its speed in 0.77 s at a
// deficit of 50 kW (table row H106, derived). The delay of the slowing rotor has
// to leave a part of that to the operator.
func TestRotorDelayIsShorterThanTheRotorHas(t *testing.T) {
	row := outside.PublishedRow(t, "H106")
	in, want, tolerance := row.In, row.Want, row.Tolerance
	omega := in["rpm"] * 2 * math.Pi / 60
	storedKJ := in["inertia_kg_m2"] * omega * omega / 2 / 1000
	seconds := storedKJ * (1 - 0.9*0.9) / in["deficit_kw"]
	if math.Abs(seconds-want) > tolerance {
		t.Errorf("%.3f s, want %g", seconds, want)
	}
	if d := DefaultSettings().RotorSlowing.For.get().Seconds(); d >= want {
		t.Errorf("the delay of %g s is as long as the rotor has", d)
	}
}

// Dwell arithmetic (simulated: means of 1 s of a healthy load with a correlation
// time of 2 s, 3 standard deviations under the limit, all above it for n seconds,
// in 12 h): 21 for 1 s, 0.0095 for 5 s, none for 8 s. Every kind whose signal is
// noisy waits at least the 4 s at which an alarm of its own is rarer than one
// in ten shifts, or looks at a second signal as the slowing rotor does.
func TestDelaysAgainstNoise(t *testing.T) {
	for _, k := range []int{engineOverload, feedDrop, engineHot} {
		if kinds[k].On.Seconds() < 4 {
			t.Errorf("%s waits only %v", kinds[k].Name, kinds[k].On)
		}
		if kinds[k].Off.Seconds() < 3 {
			t.Errorf("%s ends after only %v", kinds[k].Name, kinds[k].Off)
		}
	}
}
