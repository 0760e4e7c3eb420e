package virtual

import (
	"fmt"
	"time"

	"chaffinch/internal/problem"
)

// Scenario is a harvest to make believe: a machine, a crop, a day, and the
// trouble that happens. As a script it is a TOML file with these keys.
type Scenario struct {
	Name     string  `toml:"name"`
	Start    string  `toml:"start"`     // RFC 3339, of the first frame
	Hours    float64 `toml:"hours"`     // length of the log
	Machine  string  `toml:"machine"`   // a Model's name
	Crop     string  `toml:"crop"`      // a Crop's name
	Signals  string  `toml:"signals"`   // full, generic or bare
	InCrop   bool    `toml:"in_crop"`   // the log begins in the middle of a pass, not at key-on
	KeyOff   bool    `toml:"key_off"`   // the day ends with the way home and the key
	Break    bool    `toml:"break"`     // half way, the engine is switched off for 20 minutes
	Pool     bool    `toml:"pool"`      // the device descriptor pool is uploaded at key-on
	OnTheGo  bool    `toml:"on_the_go"` // a cart comes alongside to unload
	YieldTHa float64 `toml:"yield_t_ha"`
	MOGRatio float64 `toml:"mog_ratio"` // this field's MOG over grain; a profile only knows the crop's usual one
	PassM    float64 `toml:"pass_m"`    // length of a pass
	SlopePct float64 `toml:"slope_pct"` // typical steepness of the ground
	Uneven   float64 `toml:"uneven"`    // standard deviation of the crop's density, of its mean
	LoadPct  float64 `toml:"load_pct"`  // engine load that the operator likes
	// LossSaturated has the separation loss sensor sit near the top of its
	// range all day, as some do.
	LossSaturated bool `toml:"loss_saturated"`
	// Limits are the owner's own limits of settings, by the name of the signal.
	// The operator drives within those of ground speed.
	Limits map[string]Limit `toml:"limits"`
	// Settings are levers that are not at the crop's usual setting from the
	// start, each in its unit; see Combine.Set.
	Settings map[string]float64 `toml:"settings"`
	Events   []Trouble          `toml:"event"`
}

// Trouble is something that happens. What befalls crop or machine waits after
// At until the machine has been cutting for a while, and the pass goes on
// until it is over; what befalls a sensor or the bus comes at once.
type Trouble struct {
	At     float64 `toml:"at_s"`
	Kind   string  `toml:"kind"`
	For    float64 `toml:"for_s"`
	Size   float64 `toml:"size"`   // see Kinds
	Signal string  `toml:"signal"` // for the kinds of sensors
	SPN    uint32  `toml:"spn"`    // for fault-code
	FMI    uint8   `toml:"fmi"`
	Lamp   string  `toml:"lamp"` // stop, warning, protect or empty
}

// trouble is what kinds of Trouble there are.
type trouble struct {
	words   string
	size    float64    // when none is given
	limits  [2]float64 // of size
	seconds float64    // when no length is given
	settle  float64    // s of cutting before it comes; negative: comes at once
	sensor  bool       // needs a signal
}

var kinds = map[string]trouble{
	"overload":        {"thick crop at a held ground speed; size is the power asked over the most power that the engine has", 1.12, [2]float64{0.9, 1.5}, 60, 10, false},
	"thick":           {"the crop is size times as thick; the operator slows", 1.3, [2]float64{1, 3}, 40, 20, false},
	"slug":            {"a lump of crop; size is the torque asked of the rotor's belt over what it can carry", 1.25, [2]float64{0.3, 2}, 3, 15, false},
	"plug":            {"a slug that stops the rotor; the operator stops and clears it", 2, [2]float64{1.2, 3}, 12, 15, false},
	"gap":             {"thin or missing crop; size is what is left of it", 0.1, [2]float64{0, 0.8}, 12, 80, false},
	"thin":            {"a long thin stretch; size is what is left of the crop", 0.5, [2]float64{0.1, 0.95}, 180, 60, false},
	"uneven":          {"the header feeds in bunches; size is their swing over the mean", 0.85, [2]float64{0.1, 1}, 90, 80, false},
	"slow":            {"the operator slows down to look; size is what is left of the speed", 0.5, [2]float64{0.1, 0.9}, 20, 20, false},
	"separation-loss": {"tough straw: separation loss is size times as high", 7, [2]float64{0.2, 20}, 120, 80, false},
	"cleaning-loss":   {"too much air: cleaning loss is size times as high", 7, [2]float64{0.2, 20}, 120, 80, false},
	"returns":         {"lower sieve too closed: returns are size times as many", 5, [2]float64{0.2, 20}, 120, 80, false},
	"broken":          {"rotor too fast for the grain: broken grain is size times as much", 6, [2]float64{0.2, 20}, 120, 80, false},
	"crop-loss":       {"a sieve torn, a cover lost: separation and cleaning loss are both size times as high", 26, [2]float64{0.2, 40}, 120, 80, false},
	"trash":           {"too little air: trash is size times as much", 6, [2]float64{0.2, 20}, 120, 80, false},
	"hot":             {"a blocked radiator; size is what is left of the cooling", 0.58, [2]float64{0.2, 1}, 400, 20, false},
	"silent":          {"the sender says that the signal is not available", 0, [2]float64{0, 0}, 40, -1, true},
	"missing":         {"the frame that carries the signal is not sent", 0, [2]float64{0, 0}, 40, -1, true},
	"error":           {"the sender says that the sensor is faulty", 0, [2]float64{0, 0}, 30, -1, true},
	"stuck":           {"the signal keeps its value to the bit", 0, [2]float64{0, 0}, 300, -1, true},
	"implausible":     {"the signal is far out of its physical range", 0, [2]float64{0, 0}, 30, -1, true},
	"drift":           {"the signal reads size times what it should, slowly growing wrong", 1.15, [2]float64{0.3, 3}, 1800, -1, true},
	"fault-code":      {"a node reports an active fault", 0, [2]float64{0, 0}, 60, -1, false},
	"bus-errors":      {"frames are destroyed and sent again; size is the error frames, in % of all", 5, [2]float64{0.05, 40}, 40, -1, false},
	"bus-silent":      {"no node sends anything", 0, [2]float64{0, 0}, 8, -1, false},
}

// TroubleKind describes a kind of Trouble.
type TroubleKind struct {
	Name, Words string
	Size        float64 // when none is given
	Seconds     float64 // when no length is given
}

// Kinds lists the kinds of Trouble, in alphabetical order.
func Kinds() []TroubleKind {
	var list []TroubleKind
	for _, name := range kindNames() {
		k := kinds[name]
		list = append(list, TroubleKind{name, k.words, k.size, k.seconds})
	}
	return list
}

// lead is set before the machine goes; defaults fill what a script leaves out.
func (s Scenario) withDefaults() Scenario {
	set := func(p *string, v string) {
		if *p == "" {
			*p = v
		}
	}
	num := func(p *float64, v float64) {
		if *p == 0 {
			*p = v
		}
	}
	set(&s.Start, "2024-07-30T08:00:00Z")
	set(&s.Machine, "large")
	set(&s.Crop, "wheat")
	set(&s.Signals, "full")
	num(&s.Hours, 1)
	if c, ok := cropNamed(s.Crop); ok {
		num(&s.YieldTHa, c.YieldTHa)
		num(&s.MOGRatio, c.MOGRatio)
	}
	num(&s.PassM, 500)
	num(&s.Uneven, 0.10)
	num(&s.LoadPct, 78)
	s.Events = append([]Trouble(nil), s.Events...)
	for i := range s.Events {
		e := &s.Events[i]
		k := kinds[e.Kind]
		num(&e.Size, k.size)
		num(&e.For, k.seconds)
	}
	return s
}

// Validate returns everything that is wrong with the scenario.
func (s Scenario) Validate() []*problem.Problem {
	var all []*problem.Problem
	wrong := func(key, what, try string) {
		all = append(all, &problem.Problem{Key: key, What: what, Try: try})
	}
	d := s.withDefaults()
	if _, err := time.Parse(time.RFC3339, d.Start); err != nil {
		wrong("start", fmt.Sprintf("%q is not a time", d.Start), "write it like 2024-07-30T08:00:00Z")
	}
	if _, ok := modelNamed(d.Machine); !ok {
		wrong("machine", fmt.Sprintf("no machine %q", d.Machine), "choose compact, medium, large, wide or giant")
	}
	if _, ok := cropNamed(d.Crop); !ok {
		wrong("crop", fmt.Sprintf("no crop %q", d.Crop), "choose wheat, barley, oats, maize, soybean, canola or rice")
	}
	if _, ok := setNamed(d.Signals); !ok {
		wrong("signals", fmt.Sprintf("no signal set %q", d.Signals), "choose full, generic or bare")
	}
	between := func(key string, v, lo, hi float64) {
		if !(v >= lo && v <= hi) {
			wrong(key, fmt.Sprintf("%g is not between %g and %g", v, lo, hi), "give a number in that range")
		}
	}
	between("hours", d.Hours, 0.005, 100)
	between("yield_t_ha", d.YieldTHa, 0.2, 25)
	between("mog_ratio", d.MOGRatio, 0.05, 5)
	between("pass_m", d.PassM, 50, 5000)
	between("slope_pct", d.SlopePct, 0, 12)
	between("uneven", d.Uneven, 0, 0.4)
	between("load_pct", d.LoadPct, 40, 95)
	all = append(all, validateLimits(d.Limits)...)
	all = append(all, d.validateSettings()...)
	for i := range d.Events {
		e := &d.Events[i]
		key := fmt.Sprintf("event[%d].", i)
		k, ok := kinds[e.Kind]
		if !ok {
			wrong(key+"kind", fmt.Sprintf("no trouble %q", e.Kind), "choose one of those that the script's reference lists, such as slug")
			continue
		}
		between(key+"at_s", e.At, 0, d.Hours*3600)
		between(key+"for_s", e.For, 0.5, d.Hours*3600)
		if k.limits[1] > 0 {
			between(key+"size", e.Size, k.limits[0], k.limits[1])
		}
		if k.sensor {
			if _, ok := gaugeNamed(e.Signal); !ok {
				wrong(key+"signal", fmt.Sprintf("no signal %q that can fail", e.Signal), "give a signal that the machine sends, such as rotor_speed_rpm")
			}
		}
		if e.Kind == "fault-code" {
			if e.SPN == 0 || e.SPN >= 1<<19 {
				wrong(key+"spn", fmt.Sprintf("%d is no SPN", e.SPN), "give a number from 1 to 524287")
			}
			if e.FMI > 31 {
				wrong(key+"fmi", fmt.Sprintf("%d is no FMI", e.FMI), "give a number from 0 to 31")
			}
			switch e.Lamp {
			case "", "stop", "warning", "protect":
			default:
				wrong(key+"lamp", fmt.Sprintf("no lamp %q", e.Lamp), "choose stop, warning or protect, or leave it out")
			}
		}
	}
	return all
}

// Model is the scenario's machine.
func (s Scenario) Model() Model { m, _ := modelNamed(s.withDefaults().Machine); return m }

// CropTaken is the scenario's crop as a profile knows it: its yield and MOG
// ratio are the usual ones.
func (s Scenario) CropTaken() Crop { c, _ := cropNamed(s.withDefaults().Crop); return c }
