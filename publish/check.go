package publish

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"chaffinch/detect/advise"
	"chaffinch/detect/advise/count"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/internal/problem"
)

// Check is what the operator has looked at: any of its parts.
type Check struct {
	Tank    *Tank         `json:"tank,omitempty"`
	Returns *ReturnsLook  `json:"returns,omitempty"`
	Ground  *Ground       `json:"ground,omitempty"`
	Sees    []Observation `json:"sees,omitempty"`
}

// Tank is a look at a handful from the tank. Each is none, little, some or
// much, or empty where nobody looked.
type Tank struct {
	Broken     string `json:"broken,omitempty"`
	Trash      string `json:"trash,omitempty"`
	Unthreshed string `json:"unthreshed,omitempty"`
}

// ReturnsLook is a look at what comes back to be threshed again.
type ReturnsLook struct {
	Mostly string `json:"mostly"` // clean grain, heads, chaff, mixed
}

// Ground is a count of kernels on the ground. What is 0 or left out is not
// known; for the cut width and the thousand-kernel mass the machine's and the
// crop's are taken then.
type Ground struct {
	Places           []Place `json:"places"`
	CutWidthM        float64 `json:"cut_width_m,omitempty"`
	DischargeWidthM  float64 `json:"discharge_width_m,omitempty"`
	ThousandKernelG  float64 `json:"thousand_kernel_g,omitempty"`
	YieldTHa         float64 `json:"yield_t_ha,omitempty"`
	PricePerT        float64 `json:"price_per_t,omitempty"`
	AreaRateHaH      float64 `json:"area_rate_ha_h,omitempty"`
	UnthreshedBehind string  `json:"unthreshed_behind,omitempty"` // a grade, as of a tank sample
}

// Place is where kernels were counted: pre-harvest, header, behind or pan.
type Place struct {
	Where   string  `json:"where"`
	Kernels int     `json:"kernels,omitempty"`
	MassG   float64 `json:"mass_g,omitempty"` // instead of kernels
	AreaM2  float64 `json:"area_m2"`
}

// Observation is something that the operator sees and no sensor tells.
type Observation struct {
	Condition string `json:"condition"` // straw-fine, straw-damp, grain-at-back, lodged
	Is        bool   `json:"is"`
}

// Usual is what a ground count takes where it tells nothing.
type Usual struct {
	CutWidthM, ThousandKernelG float64
}

const mostPlaces = 20

var placeNames = []string{"pre-harvest", "header", "behind", "pan"} // in the order of count.Where

// Grades and mixes, in the words of package advise.
var (
	gradeWords = []string{advise.None.String(), advise.Little.String(), advise.Some.String(), advise.Much.String()}
	mixWords   = []string{advise.CleanGrain.String(), advise.Heads.String(), advise.Chaff.String(), advise.Mixed.String()}
	sights     = []string{knowledge.StrawFine, knowledge.StrawDamp, knowledge.GrainAtBack, knowledge.Lodged}
)

func (c *Check) validate() error {
	if c.Tank == nil && c.Returns == nil && c.Ground == nil && len(c.Sees) == 0 {
		return &problem.Problem{What: "the check is empty", Try: "give tank, returns, ground or sees"}
	}
	if t := c.Tank; t != nil {
		if *t == (Tank{}) {
			return &problem.Problem{Key: "tank", What: "nobody looked at anything", Try: "give broken, trash or unthreshed"}
		}
		for _, g := range []struct{ key, word string }{{"broken", t.Broken}, {"trash", t.Trash}, {"unthreshed", t.Unthreshed}} {
			if err := oneOf("tank."+g.key, g.word, gradeWords, true); err != nil {
				return err
			}
		}
	}
	if c.Returns != nil {
		if err := oneOf("returns.mostly", c.Returns.Mostly, mixWords, false); err != nil {
			return err
		}
	}
	if len(c.Sees) > len(sights) {
		return &problem.Problem{Key: "sees", What: "there are too many", Try: "tell each once"}
	}
	for i, o := range c.Sees {
		if err := oneOf(fmt.Sprintf("sees.%d.condition", i), o.Condition, sights, false); err != nil {
			return err
		}
	}
	if c.Ground != nil {
		return c.Ground.validate()
	}
	return nil
}

func (g *Ground) validate() error {
	if len(g.Places) == 0 || len(g.Places) > mostPlaces {
		return &problem.Problem{Key: "ground.places", What: fmt.Sprintf("there are %d places", len(g.Places)), Try: fmt.Sprintf("give 1 to %d", mostPlaces)}
	}
	for i, p := range g.Places {
		if err := oneOf(fmt.Sprintf("ground.places.%d.where", i), p.Where, placeNames, false); err != nil {
			return err
		}
	}
	return oneOf("ground.unthreshed_behind", g.UnthreshedBehind, gradeWords, true)
}

func oneOf(key, word string, known []string, empty bool) error {
	if word == "" && empty || slices.Contains(known, word) {
		return nil
	}
	return &problem.Problem{Key: key, What: fmt.Sprintf("%q is not known", cut(word)), Try: "give one of " + strings.Join(known, ", ") + problem.DidYouMean(word, known)}
}

// Advise is the check as the adviser takes it, and the result of the ground
// count if there is one. The error is a *problem.Problem.
func (c *Check) Advise(usual Usual) (advise.Check, *count.Result, error) {
	var out advise.Check
	if c.Tank != nil {
		out.Tank = &advise.TankSample{Broken: grade(c.Tank.Broken), Trash: grade(c.Tank.Trash), Unthreshed: grade(c.Tank.Unthreshed)}
	}
	if c.Returns != nil {
		mix, _ := advise.MixNamed(c.Returns.Mostly)
		out.Returns = &advise.ReturnsSample{Mostly: mix}
	}
	for _, o := range c.Sees {
		out.Sees = append(out.Sees, advise.Observation(o))
	}
	if c.Ground == nil {
		return out, nil, nil
	}
	counted := c.Ground.count(usual)
	r, err := counted.Loss()
	if err != nil {
		return advise.Check{}, nil, err
	}
	if !r.Header.Known && !r.Machine.Known {
		return advise.Check{}, nil, &problem.Problem{Key: "ground.places", What: "these places tell neither the header's loss nor the machine's",
			Try: "count behind the machine and where only the header has passed, or in a pan"}
	}
	g := &advise.GroundCount{
		HeaderKgHa: r.Header.KgHa, HeaderSE: r.Header.SE, HeaderKnown: r.Header.Known,
		MachineKgHa: r.Machine.KgHa, MachineSE: r.Machine.SE, MachineKnown: r.Machine.Known,
		YieldKgHa: 1000 * counted.YieldTHa, UnthreshedBehind: grade(c.Ground.UnthreshedBehind),
	}
	// Below 0 is chance: none was found.
	g.HeaderKgHa, g.MachineKgHa = math.Max(0, g.HeaderKgHa), math.Max(0, g.MachineKgHa)
	part := r.Machine
	if !part.Known {
		part = r.Header
	}
	g.Kernels, g.Enough = part.Kernels, part.Enough
	out.Ground = g
	return out, &r, nil
}

func (g *Ground) count(usual Usual) count.Count {
	c := count.Count{
		CutWidthM: g.CutWidthM, DischargeWidthM: g.DischargeWidthM, ThousandKernelG: g.ThousandKernelG,
		YieldTHa: g.YieldTHa, PricePerT: g.PricePerT, AreaRateHaH: g.AreaRateHaH,
	}
	if c.CutWidthM == 0 {
		c.CutWidthM = usual.CutWidthM
	}
	if c.ThousandKernelG == 0 {
		c.ThousandKernelG = usual.ThousandKernelG
	}
	for _, p := range g.Places {
		c.Places = append(c.Places, count.Place{Where: count.Where(slices.Index(placeNames, p.Where)), Kernels: p.Kernels, MassG: p.MassG, AreaM2: p.AreaM2})
	}
	return c
}

// grade is NotLooked for an empty word.
func grade(word string) advise.Grade {
	g, _ := advise.GradeNamed(word)
	return g
}

func (a *Answer) validate() error {
	if _, _, ok := ParseID('p', a.Prompt); !ok {
		return &problem.Problem{Key: "prompt", What: fmt.Sprintf("%q is no id of a prompt", cut(a.Prompt)), Try: "give the id of the open prompt"}
	}
	replies := []string{advise.Done.String(), advise.Later.String(), advise.NotPossible.String(), advise.PutBack.String()}
	return oneOf("reply", a.Reply, replies, false)
}
