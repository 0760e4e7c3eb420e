package count

import (
	"math"
	"os"
	"strings"
	"testing"

	"chaffinch/detect/machine"
	"chaffinch/internal/outside"
)

const perFt2 = 1 / SquareFt // kernels on a square foot, in kernels on a square metre

// lbAcre is kg/ha in pounds an acre.
func lbAcre(kgHa float64) float64 { return kgHa * Acre / Pound }

// bushelRule is the kernel mass of a counting rule: so many on a square foot
// are a bushel an acre.
func bushelRule(kernelsFt2, pounds float64) float64 {
	return ThousandKernelG(kernelsFt2*perFt2, BushelKgHa(pounds))
}

// loss works out a count that must be possible.
func loss(t *testing.T, c Count) Result {
	t.Helper()
	r, err := c.Loss()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// on is kernels counted on ten square feet of such a density.
func on(where Where, perSquareFoot float64) Place {
	return Place{Where: where, Kernels: int(math.Round(1000 * perSquareFoot)), AreaM2: 1000 * SquareFt}
}

// checks works out the rows of testdata/harvest-checks.csv that are arithmetic
// of this package. Each is a worked example of an extension service or a study,
// or a definition; the row has the source.
var checks = map[string]func(t *testing.T, in map[string]float64) float64{
	"effective area rate (US)":              areaRateUS,
	"effective area rate of a combine (US)": areaRateUS,
	"gain in area rate from 3 to 5 mph":     gainUS,
	"value of loss per hour":                valuePerHour,
	"speed from timed 88 ft":                timedSpeed,
	"effective area rate (metric)": func(t *testing.T, in map[string]float64) float64 {
		return AreaRate(in["width_m"], in["speed_kmh"], in["eff"])
	},
	"US area constant":                            func(t *testing.T, in map[string]float64) float64 { return Acre / AreaRate(Foot, MileKm, 1) },
	"MOG flow":                                    mogFlow,
	"total feed rate":                             totalFeed,
	"maize kernel loss":                           perBushel,
	"soybean gathering loss":                      perBushel,
	"rice field loss":                             perBushel,
	"rice loss by mass rule":                      massRule,
	"kernel mass implied by rice rule":            func(t *testing.T, in map[string]float64) float64 { return riceRule(in) },
	"seeds per m2 at 100 kg/ha":                   func(t *testing.T, in map[string]float64) float64 { return in["loss_kg_ha"] / KgHa(1, in["tkw_g"]) },
	"lb/ac divisor for kernels/ft2 x TKW":         func(t *testing.T, in map[string]float64) float64 { return 1 / lbAcre(KgHa(perFt2, 1)) },
	"loss from 0.1 m2 quadrat: lupin":             lupin,
	"canola seeds in a 0.022 m2 tub at 100 kg/ha": tub,
	"soybean gathering loss, mean of four counts": fourCounts,
	"concentration factor":                        concentrationOf,
	"machine loss, small-grain method":            smallGrainMachine,
	"total loss, small-grain method":              smallGrainTotal,
	"separator loss, sunflower method":            sunflower,
	"loss percent of total yield": func(t *testing.T, in map[string]float64) float64 {
		return SharePct(in["loss_bu_ac"], in["harvested_bu_ac"])
	},
	"loss share of harvested crop": func(t *testing.T, in map[string]float64) float64 {
		return ofHarvested(in["loss_kg_ha"], in["harvested_kg_ha"])
	},
}

func areaRateUS(t *testing.T, in map[string]float64) float64 {
	return AreaRate(in["width_ft"]*Foot, in["speed_mph"]*MileKm, in["eff"]) / Acre
}

func gainUS(t *testing.T, in map[string]float64) float64 {
	fast := map[string]float64{"width_ft": in["width_ft"], "speed_mph": in["speed2_mph"], "eff": in["eff"]}
	slow := map[string]float64{"width_ft": in["width_ft"], "speed_mph": in["speed1_mph"], "eff": in["eff"]}
	return areaRateUS(t, fast) - areaRateUS(t, slow)
}

// valuePerHour: soybean of 60 lb; the bushel cancels. The loss is that of kernels
// behind a machine that spreads over its cut width.
func valuePerHour(t *testing.T, in map[string]float64) float64 {
	const pounds = 60
	c := Count{Places: []Place{on(Behind, 4*in["loss_bu_ac"])}, CutWidthM: 9, DischargeWidthM: 9,
		ThousandKernelG: bushelRule(4, pounds), PricePerT: in["price"] / (pounds * Pound / 1000), AreaRateHaH: in["rate_ac_h"] * Acre}
	return loss(t, c).Total.PerHour
}

func timedSpeed(t *testing.T, in map[string]float64) float64 {
	return in["distance_ft"] * Foot / in["time_s"] * 3.6 / MileKm
}

// mogFlow and totalFeed: MOG is the crop's share of a feed.
func mogFlow(t *testing.T, in map[string]float64) float64 {
	crop := machine.Crop{SpecificEnergyKWhT: 1, EnergyBasis: machine.PerMOG, MOGRatio: in["mog_g"]}
	share := crop.KWhPerTonneOfFeed() // of MOG alone, at 1 kWh a tonne of it
	return in["grain_t_h"] * share / (1 - share)
}

func totalFeed(t *testing.T, in map[string]float64) float64 { return in["grain_t_h"] + mogFlow(t, in) }

// perBushel: a count on the ground in bushels an acre, by the rule of its crop.
func perBushel(t *testing.T, in map[string]float64) float64 {
	const pounds = 56
	c := Count{Places: []Place{on(Behind, in["kernels_ft2"])}, CutWidthM: 9, DischargeWidthM: 9, ThousandKernelG: bushelRule(in["per_bu_ac"], pounds)}
	return loss(t, c).Total.KgHa / BushelKgHa(pounds)
}

// riceRule is the mass of a kernel in mg, which is that of a thousand in g.
func riceRule(in map[string]float64) float64 {
	return ThousandKernelG(perFt2, in["lb_ac_per_kernel_ft2"]*Pound/Acre)
}

func massRule(t *testing.T, in map[string]float64) float64 {
	return lbAcre(KgHa(in["kernels_ft2"]*perFt2, riceRule(in)))
}

func lupin(t *testing.T, in map[string]float64) float64 {
	c := Count{Places: []Place{{Where: PreHarvest, Kernels: int(in["seeds_per_quadrat"]), AreaM2: 0.1}},
		ThousandKernelG: ThousandKernelG(in["table_number"]/0.1, 100)}
	return loss(t, c).PreHarvest.KgHa
}

func tub(t *testing.T, in map[string]float64) float64 {
	return 100 * in["area_m2"] / KgHa(1, ThousandKernelG(in["seeds_per_m2"], 100))
}

// fourCounts: the mean of four, on a square foot each, of which nothing was
// there before.
func fourCounts(t *testing.T, in map[string]float64) float64 {
	c := Count{ThousandKernelG: 100, Places: []Place{{Where: PreHarvest, AreaM2: 4 * SquareFt}}}
	for _, name := range []string{"c1", "c2", "c3", "c4"} {
		c.Places = append(c.Places, Place{Where: Header, Kernels: int(in[name]), AreaM2: SquareFt})
	}
	return loss(t, c).Header.KgHa / KgHa(perFt2, 100)
}

func concentrationOf(t *testing.T, in map[string]float64) float64 {
	return loss(t, Count{Places: []Place{on(Pan, 1)}, CutWidthM: in["cut_width_ft"] * Foot, DischargeWidthM: in["discharge_width_ft"] * Foot, ThousandKernelG: 30}).Concentration
}

func smallGrain(t *testing.T, in map[string]float64) Result {
	return loss(t, Count{Places: []Place{on(Behind, in["behind_ft2"]), on(Header, in["under_ft2"])},
		CutWidthM: in["header_ft"] * Foot, DischargeWidthM: in["discharge_ft"] * Foot, ThousandKernelG: bushelRule(in["per_bu_ac"], 60)})
}

func smallGrainMachine(t *testing.T, in map[string]float64) float64 {
	return smallGrain(t, in).Machine.KgHa / BushelKgHa(60)
}

// smallGrainTotal: its machine count is already divided by the concentration.
func smallGrainTotal(t *testing.T, in map[string]float64) float64 {
	c := Count{Places: []Place{on(Pan, in["machine_ft2"]), on(Header, in["under_ft2"])},
		CutWidthM: 9, DischargeWidthM: 9, ThousandKernelG: bushelRule(in["per_bu_ac"], 60)}
	return loss(t, c).Total.KgHa / BushelKgHa(60)
}

// sunflower: a hundredweight is 100 lb; the header's kernels stand alone there.
func sunflower(t *testing.T, in map[string]float64) float64 {
	c := Count{Places: []Place{on(Behind, in["behind_ft2"]), on(PreHarvest, in["standing_ft2"]), on(Header, in["standing_ft2"]+in["header_ft2"])},
		CutWidthM: in["cut_ft"] * Foot, DischargeWidthM: in["rear_ft"] * Foot, ThousandKernelG: bushelRule(in["per_cwt"], 100)}
	return lbAcre(loss(t, c).Machine.KgHa) / 100
}

// ofHarvested is a loss as a share of the harvest alone, as some print it.
func ofHarvested(lost, harvested float64) float64 {
	share := SharePct(lost, harvested)
	return 100 * share / (100 - share)
}

// kinds are rows that share a formula but not a name.
func kind(p outside.Published) (func(t *testing.T, in map[string]float64) float64, bool) {
	has := func(part string) bool { return strings.Contains(p.Quantity, part) }
	switch in := p.In; {
	case p.Quantity == "grain flow":
		return func(t *testing.T, in map[string]float64) float64 {
			flow := TonnesPerHour(AreaRate(in["width_m"], in["speed_kmh"], 1), 1000*in["yield_t_ha"])
			if p.ID == "H013" { // kg/s
				flow /= 3.6
			}
			return flow
		}, true
	case has("1 bu/ac in kg/ha: "):
		return func(t *testing.T, in map[string]float64) float64 { return BushelKgHa(in["lb_per_bu"]) }, true
	case has("implied by count rule: "):
		return func(t *testing.T, in map[string]float64) float64 {
			return bushelRule(in["kernels_ft2_per_bu"], in["lb_per_bu"])
		}, true
	case has("implied by 0.1 m2 rule: "):
		return func(t *testing.T, in map[string]float64) float64 {
			return ThousandKernelG(in["seeds_per_0p1m2_at_100kg_ha"]/0.1, 100)
		}, true
	case has("wet mass of one standard bushel: "):
		return func(t *testing.T, in map[string]float64) float64 {
			return AtMoisture(in["lb_std"], in["m_std"], in["m_actual"])
		}, true
	case has("value of loss per ha: "):
		return func(t *testing.T, in map[string]float64) float64 {
			return Money(in["yield_t_ha"]*1000*in["loss_pct"]/100, in["price_per_t"])
		}, true
	case has("wheat loss percent at "):
		return func(t *testing.T, in map[string]float64) float64 {
			return ofHarvested(in["loss_kg_ac"], in["yield_kg_ac"])
		}, true
	case p.Quantity == "drop-pan loss" && in["pan_g_ft2"] > 0: // canola of 50 lb
		return func(t *testing.T, in map[string]float64) float64 {
			c := Count{Places: []Place{{Where: Pan, MassG: in["pan_g_ft2"], AreaM2: SquareFt}}, CutWidthM: in["cf"], DischargeWidthM: 1, ThousandKernelG: 3.3}
			return loss(t, c).Machine.KgHa / BushelKgHa(50)
		}, true
	case p.Quantity == "drop-pan loss":
		return func(t *testing.T, in map[string]float64) float64 {
			c := Count{Places: []Place{{Where: Pan, MassG: in["pan_g"], AreaM2: in["pan_m2"]}}, CutWidthM: in["cf"], DischargeWidthM: 1, ThousandKernelG: 40}
			return loss(t, c).Machine.KgHa
		}, true
	case has("yield implied by survey mean loss"):
		// The loss is that share of the yield that is wanted.
		return func(t *testing.T, in map[string]float64) float64 {
			return p.Want * SharePct(in["loss_bu_ac"], p.Want-in["loss_bu_ac"]) / in["loss_pct"]
		}, true
	case has("canola loss 6% of 40 bu/ac"):
		return func(t *testing.T, in map[string]float64) float64 {
			return in["loss_pct"] * p.Want / SharePct(p.Want, in["yield_bu_ac"]-p.Want)
		}, true
	}
	f, ok := checks[p.Quantity]
	return f, ok
}

// elsewhere has the rows that other packages check, with the file.
var elsewhere = map[string]string{
	"H016": "canbus/virtual/published_test.go",
	"H052": "cmd/chaffinch/losses_test.go", "H053": "cmd/chaffinch/losses_test.go", "H054": "cmd/chaffinch/losses_test.go",
	"H055": "cmd/chaffinch/losses_test.go", "H056": "cmd/chaffinch/losses_test.go", "H057": "cmd/chaffinch/losses_test.go",
	"H073": "canbus/virtual/published_test.go", "H074": "canbus/virtual/published_test.go", "H075": "canbus/virtual/published_test.go",
	"H076": "canbus/virtual/published_test.go", "H077": "canbus/virtual/published_test.go", "H078": "canbus/virtual/published_test.go",
	"H079": "canbus/virtual/published_test.go",
	"H080": "detect/machine/power_test.go", "H081": "detect/machine/power_test.go", "H082": "detect/machine/power_test.go",
	"H083": "detect/machine/power_test.go", "H084": "detect/machine/power_test.go", "H085": "detect/machine/power_test.go",
	"H086": "detect/machine/power_test.go", "H087": "detect/machine/power_test.go", "H088": "canbus/virtual/physics_test.go",
	"H089": "detect/machine/power_test.go", "H090": "detect/machine/power_test.go",
	"H105": "canbus/virtual/physics_test.go", "H106": "detect/delays_test.go",
	"H110": "detect/advise/judge/published_test.go",
}

// unused has the rows of which the program computes nothing, with the reason.
var unused = map[string]string{
	"H099": "the virtual rotor loses by a power of its feed, not by this model",
	"H100": "the virtual rotor loses by a power of its feed, not by this model",
	"H101": "a property of somebody's yield sensor, divided",
	"H102": "a property of somebody's yield sensor, divided",
	"H103": "a distance; settling is counted in seconds of steady work",
	"H104": "the reel is set by its index; its surface speed is nowhere needed",
}

// Every row of testdata/harvest-checks.csv is worked out here or elsewhere, or
// of no use and known to be.
func TestPublishedExamples(t *testing.T) {
	here := 0
	for _, p := range outside.AllPublished(t) {
		f, ok := kind(p)
		file, away := elsewhere[p.ID]
		_, none := unused[p.ID]
		switch {
		case (ok && away) || (ok && none) || (away && none):
			t.Errorf("%s (%s) is listed twice", p.ID, p.Quantity)
		case ok:
			here++
			if got := f(t, p.In); !(math.Abs(got-p.Want) <= p.Tolerance) {
				t.Errorf("%s: %s is %.5g, want %g within %g (%s)", p.ID, p.Quantity, got, p.Want, p.Tolerance, p.Source)
			}
		case away:
			text, err := os.ReadFile("../../../" + file)
			if err != nil || !strings.Contains(string(text), p.ID) {
				t.Errorf("%s (%s): %s does not speak of it (%v)", p.ID, p.Quantity, file, err)
			}
		case !none:
			t.Errorf("%s (%s): nobody checks it", p.ID, p.Quantity)
		}
	}
	t.Logf("%d rows here, %d elsewhere, %d of no use to the program", here, len(elsewhere), len(unused))
	if here < 70 {
		t.Errorf("only %d rows were worked out here", here)
	}
}
