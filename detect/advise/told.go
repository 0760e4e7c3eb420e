package advise

import (
	"chaffinch/detect/machine"
)

// Reply is what the operator answers to a prompt.
type Reply uint8

const (
	Done        Reply = iota // it is done
	Later                    // not now: it may be asked again in a quarter of an hour
	NotPossible              // not on this machine, not today
	PutBack                  // he has put the change back himself
)

var replyNames = [...]string{"done", "later", "not-possible", "put-back"}

// String is the word that MQTT uses.
func (r Reply) String() string {
	if int(r) < len(replyNames) {
		return replyNames[r]
	}
	return "invalid"
}

// ReplyNamed finds a reply by its word.
func ReplyNamed(word string) (Reply, bool) {
	for i, name := range replyNames {
		if name == word {
			return Reply(i), true
		}
	}
	return 0, false
}

// Answer is an answer to a prompt.
type Answer struct {
	Prompt uint64   `json:"prompt"` // its ID; an answer to another than the open one is ignored
	Reply  Reply    `json:"-"`
	To     *float64 `json:"to"` // the new setting, where he tells it
}

// Grade is how much of something is in a sample, as a glance tells it.
type Grade uint8

const (
	NotLooked Grade = iota
	None            // none, or next to none
	Little          // as it should be at most
	Some            // more than it should be
	Much            // far too much
)

var gradeNames = [...]string{"not looked", "none", "little", "some", "much"}

// String is the word that MQTT uses.
func (g Grade) String() string {
	if int(g) < len(gradeNames) {
		return gradeNames[g]
	}
	return "invalid"
}

// GradeNamed finds a grade by its word.
func GradeNamed(word string) (Grade, bool) {
	for i, name := range gradeNames {
		if name == word {
			return Grade(i), true
		}
	}
	return 0, false
}

// TankSample is a look at a handful from the tank.
type TankSample struct {
	Broken     Grade `json:"broken"`
	Trash      Grade `json:"trash"`
	Unthreshed Grade `json:"unthreshed"`
}

// ReturnsSample is a look at what comes back to be threshed again.
type ReturnsSample struct {
	Mostly Mix `json:"mostly"`
}

// Mix is what returns are mostly.
type Mix uint8

const (
	MixNotLooked Mix = iota
	CleanGrain
	Heads // unthreshed heads, pods or pieces of cob
	Chaff // chaff and short straw
	Mixed // everything together
)

var mixNames = [...]string{"not looked", "clean grain", "heads", "chaff", "mixed"}

// String is the word that MQTT uses.
func (m Mix) String() string {
	if int(m) < len(mixNames) {
		return mixNames[m]
	}
	return "invalid"
}

// MixNamed finds a mix by its word.
func MixNamed(word string) (Mix, bool) {
	for i, name := range mixNames {
		if name == word {
			return Mix(i), true
		}
	}
	return 0, false
}

// GroundCount is what a count of kernels came to (package count).
type GroundCount struct {
	HeaderKgHa  float64 `json:"header_kg_ha"`
	MachineKgHa float64 `json:"machine_kg_ha"` // behind the machine, header and pre-harvest loss taken off
	// Standard errors of the counting, in kg/ha.
	HeaderSE  float64 `json:"header_se_kg_ha"`
	MachineSE float64 `json:"machine_se_kg_ha"`
	// Known tells which of the two was counted.
	HeaderKnown  bool `json:"header_known"`
	MachineKnown bool `json:"machine_known"`
	// YieldKgHa is the crop, to put the loss against; 0 is not known.
	YieldKgHa float64 `json:"yield_kg_ha"`
	Kernels   int     `json:"kernels"` // counted in all
	Enough    bool    `json:"enough"`  // at least a hundred kernels
	// UnthreshedBehind: kernels behind the machine lie in heads or pods.
	UnthreshedBehind Grade `json:"unthreshed_behind"`
}

// Observation is something that the operator sees and no sensor tells.
type Observation struct {
	Condition string `json:"condition"` // straw-fine, straw-damp, grain-at-back, lodged
	Is        bool   `json:"is"`
}

// Check is what the operator has looked at. Any of its parts may be nil.
type Check struct {
	Tank    *TankSample    `json:"tank,omitempty"`
	Returns *ReturnsSample `json:"returns,omitempty"`
	Ground  *GroundCount   `json:"ground,omitempty"`
	Sees    []Observation  `json:"sees,omitempty"`
}

// clean is a check of one's own, without what cannot be.
func (c Check) clean() Check {
	if c.Tank != nil {
		t := *c.Tank
		for _, g := range []*Grade{&t.Broken, &t.Trash, &t.Unthreshed} {
			if *g > Much {
				*g = NotLooked
			}
		}
		c.Tank = &t
	}
	if c.Returns != nil {
		r := *c.Returns
		if r.Mostly > Mixed {
			r.Mostly = MixNotLooked
		}
		c.Returns = &r
	}
	if c.Ground != nil {
		g := *c.Ground
		for _, v := range []*float64{&g.HeaderKgHa, &g.MachineKgHa, &g.HeaderSE, &g.MachineSE, &g.YieldKgHa} {
			if !(*v >= 0 && *v < mostKgHa) {
				*v = 0
				if v == &g.HeaderKgHa || v == &g.HeaderSE {
					g.HeaderKnown = false
				}
				if v == &g.MachineKgHa || v == &g.MachineSE {
					g.MachineKnown = false
				}
			}
		}
		if g.UnthreshedBehind > Much {
			g.UnthreshedBehind = NotLooked
		}
		c.Ground = &g
	}
	c.Sees = append([]Observation(nil), c.Sees...)
	return c
}

// mostKgHa is more than any crop yields.
const mostKgHa = 100_000

// Setup is what the operator sets anew. What is nil stays as it is.
type Setup struct {
	Crop           *machine.Crop
	Header         *string                  // one of machine.HeaderKinds
	Limits         map[string]machine.Limit // by the name of the signal, as machine.Settings.Limits
	SeatAdjustable []string
	Field          *string // the name of a field; another one asks for checks again
	// TargetPct sets the target of a symptom's sensor by hand, as the alarm's
	// target_pct does.
	TargetPct map[string]float64
}
