package machine

import (
	"fmt"
	"strings"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// Crop is what is known of a crop beforehand: a profile, with what the [crop]
// table of the configuration says on top.
type Crop struct {
	// Name is that of the profile, such as "wheat".
	Name string `toml:"name"`
	// ThousandKernelG is the mass of a thousand kernels in grams.
	ThousandKernelG float64 `toml:"thousand_kernel_g"`
	// Moisture is the standard moisture of the trade, wet basis.
	Moisture signal.Percent `toml:"moisture_pct"`
	// TestWeightKgHL is the bulk density of the grain in kg per 100 L.
	TestWeightKgHL float64 `toml:"test_weight_kg_hl"`
	// LossTarget is the loss that is acceptable, header and machine together,
	// as a share of the crop.
	LossTarget signal.Percent `toml:"loss_target_pct"`
	// SpecificEnergyKWhT is the energy of threshing, separating and cleaning
	// per tonne of what EnergyBasis says, above IdlePowerKW: c of the rotary
	// power form a + b*w + c*F (ASABE D497).
	SpecificEnergyKWhT float64 `toml:"specific_energy_kwh_t"`
	// EnergyBasis is the throughput F of that form.
	EnergyBasis EnergyBasis `toml:"specific_energy_basis"`
	// IdlePowerKW is what the threshing part takes when it runs empty: a of
	// that form.
	IdlePowerKW float64 `toml:"idle_power_kw"`
	// MOGRatio is the mass of straw and chaff taken in per mass of grain.
	MOGRatio float64 `toml:"mog_ratio"`
}

// EnergyBasis says which throughput the specific energy belongs to.
type EnergyBasis string

const (
	PerMOG   EnergyBasis = "mog"
	PerGrain EnergyBasis = "grain"
)

// KWhPerTonneOfFeed is the specific energy per tonne of grain and MOG together.
func (c *Crop) KWhPerTonneOfFeed() float64 {
	if c.EnergyBasis == PerGrain {
		return c.SpecificEnergyKWhT / (1 + c.MOGRatio)
	}
	return c.SpecificEnergyKWhT * c.MOGRatio / (1 + c.MOGRatio)
}

// Validate returns what cannot be.
func (c Crop) Validate() []*problem.Problem {
	var all []*problem.Problem
	for _, s := range []span{
		{"crop.thousand_kernel_g", c.ThousandKernelG, 0.5, 1000, "g", "it is the mass of 1000 kernels: wheat has about 35"},
		{"crop.moisture_pct", float64(c.Moisture), 4, 30, "%", "it is the moisture that the trade pays for"},
		{"crop.test_weight_kg_hl", c.TestWeightKgHL, 20, 100, "kg/hl", "1 lb/bu is 1.287 kg/hl, 10 kg/m3 are 1 kg/hl"},
		{"crop.loss_target_pct", float64(c.LossTarget), 0.1, 20, "%", ""},
		{"crop.specific_energy_kwh_t", c.SpecificEnergyKWhT, 0.2, 20, "kWh/t", ""},
		{"crop.idle_power_kw", c.IdlePowerKW, 0, 200, "kW", ""},
		{"crop.mog_ratio", c.MOGRatio, 0.02, 6, "", "it is tonnes of straw and chaff taken in per tonne of grain"},
	} {
		all = append(all, s.check()...)
	}
	if c.EnergyBasis != PerMOG && c.EnergyBasis != PerGrain {
		all = append(all, &problem.Problem{Key: "crop.specific_energy_basis",
			What: fmt.Sprintf("there is no basis %q", string(c.EnergyBasis)),
			Try:  "give " + strings.Join([]string{string(PerMOG), string(PerGrain)}, " or ")})
	}
	return all
}
