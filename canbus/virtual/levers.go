package virtual

import (
	"fmt"
	"math"
	"strings"

	"chaffinch/internal/problem"
)

// The levers of the machine, by the names that the rest of the program gives
// them.
const (
	leverSpeed = iota
	leverRotor
	leverConcave
	leverFan
	leverUpper
	leverLower
	leverCut
	leverReel
	leverCount
)

// usualReel is the surface speed of the reel over ground speed: 1 to 1.25 is
// right, 1.25 the most (University of Missouri Extension G1280, 1993).
const usualReel = 1.12

// lever is what is known of one. Steps, ranges and rates are common practice,
// no source.
type lever struct {
	name, unit, signal string
	step, stepPct      float64 // the usual step: in unit, or in % of the usual setting if that is more
	lowest, highest    float64 // of the usual setting
	least              float64 // and never under this, in unit
	perS               float64 // how fast the adjuster moves, unit/s; 0 is at once
	halves             map[string]float64
}

var levers = [leverCount]lever{
	leverSpeed:   {"ground_speed", "km/h", "ground_speed_kmh", 0.3, 7, 0.4, 1.6, 1.2, 0, nil},
	leverRotor:   {"rotor_speed", "rpm", "rotor_speed_rpm", 20, 4, 0.6, 1.35, 0, 10, nil},
	leverConcave: {"concave", "mm", "concave_mm", 2, 0, 0, 3, 3, 1, map[string]float64{"maize": 2, "soybean": 1.5}},
	leverFan:     {"fan_speed", "rpm", "fan_speed_rpm", 30, 4, 0.6, 1.4, 0, 15, map[string]float64{"canola": 0.5}},
	leverUpper:   {"upper_sieve", "mm", "upper_sieve_mm", 2, 0, 0, 1.9, 3, 1, map[string]float64{"canola": 0.5}},
	leverLower:   {"lower_sieve", "mm", "lower_sieve_mm", 1, 0, 0, 1.9, 1.5, 0.7, map[string]float64{"canola": 0.5}},
	leverCut:     {"cut_height", "mm", "header_height_mm", 50, 0, 0, 4, 20, 350, map[string]float64{"soybean": 0.4}},
	leverReel:    {"reel", "", "", 0.05, 0, 0.6, 1.5, 0, 0.05, nil},
}

// positions are where the levers are, each in its unit.
type positions [leverCount]float64

// usualPositions are the crop's usual settings on the machine. That of ground
// speed gives the engine the load that the operator likes.
func usualPositions(m *Model, c *Crop, loadPct float64) positions {
	var p positions
	for l := range p {
		p[l] = usualSetting(m, c, levers[l].signal, loadPct)
	}
	p[leverReel] = usualReel
	return p
}

// leverNamed finds a lever that the machine has in the crop.
func leverNamed(name string, c *Crop) (int, error) {
	var names []string
	for l := range levers {
		if l == leverReel && c.RowHeader {
			continue // a row header has none
		}
		if levers[l].name == name {
			return l, nil
		}
		names = append(names, levers[l].name)
	}
	return 0, fmt.Errorf("virtual: the machine has no lever %q in %s, it has %s", name, c.Name, strings.Join(names, ", "))
}

// stepOf is the usual step of a lever, in its unit.
func stepOf(l int, c *Crop, usual float64) float64 {
	k := &levers[l]
	step := max(k.step, k.stepPct/100*usual)
	if f, ok := k.halves[c.Name]; ok {
		step *= f
	}
	return step
}

// reach is the range of a lever.
func reach(l int, c *Crop, usual float64) (low, high float64) {
	k := &levers[l]
	low, high = max(k.least, k.lowest*usual), k.highest*usual
	if l == leverSpeed {
		high = min(high, c.TopKMH)
	}
	return low, high
}

// controls are the levers of a combine.
type controls struct {
	usual, at, goal positions
	holdsSpeed      bool // the operator drives at a speed that was set
	touched         bool
	effects         effects // with the lag of each
	aim             effects // where they go
}

func newControls(m *Model, c *Crop, loadPct float64) controls {
	k := controls{usual: usualPositions(m, c, loadPct), effects: noEffects, aim: noEffects}
	k.at, k.goal = k.usual, k.usual
	return k
}

// Setting is where a lever is now, in its unit: ground_speed km/h, rotor_speed
// and fan_speed rpm at full engine speed, concave, upper_sieve, lower_sieve and
// cut_height mm, reel surface speed over ground speed. It is not a number for a
// lever that the machine has not.
func (c *Combine) Setting(lever string) float64 {
	l, err := leverNamed(lever, &c.crop)
	if err != nil {
		return math.NaN()
	}
	return c.setting(l)
}

func (c *Combine) setting(l int) float64 {
	if l == leverSpeed && !c.levers.holdsSpeed {
		return c.op.passSpeed
	}
	return c.levers.at[l]
}

// Step is the usual step of a lever, in its unit; not a number for a lever that
// the machine has not.
func (c *Combine) Step(lever string) float64 {
	l, err := leverNamed(lever, &c.crop)
	if err != nil {
		return math.NaN()
	}
	return stepOf(l, &c.crop, c.levers.usual[l])
}

// Range is how far a lever goes, in its unit; not a number for a lever that the
// machine has not.
func (c *Combine) Range(lever string) (low, high float64) {
	l, err := leverNamed(lever, &c.crop)
	if err != nil {
		return math.NaN(), math.NaN()
	}
	return reach(l, &c.crop, c.levers.usual[l])
}

// Set moves a lever to a setting in its unit, as fast as its adjuster goes. A
// set ground speed is held, but for what any operator slows down for; before,
// he holds the engine's load. It is an error if the machine has no such lever,
// or not so far.
func (c *Combine) Set(lever string, value float64) error {
	l, err := leverNamed(lever, &c.crop)
	if err != nil {
		return err
	}
	low, high := reach(l, &c.crop, c.levers.usual[l])
	if !(value >= low && value <= high) {
		return fmt.Errorf("virtual: %s goes from %g to %g %s, not to %g", lever, round3(low), round3(high), levers[l].unit, value)
	}
	c.levers.goal[l] = value
	c.levers.touched = true
	if l == leverSpeed {
		c.levers.holdsSpeed = true
		c.levers.at[l] = value
		c.op.passSpeed = c.obeys(value)
	}
	return nil
}

// Free lets the operator drive by the engine's load again, from the speed that
// was set.
func (c *Combine) Free() { c.levers.holdsSpeed = false }

// preset puts the levers where the scenario has them from the start.
func (c *Combine) preset() {
	for l := range levers {
		v, ok := c.sc.Settings[levers[l].name]
		if ok && c.Set(levers[l].name, v) == nil {
			c.levers.at[l] = v
		}
	}
	if c.levers.touched {
		c.moved()
		c.levers.aim = c.effectsNow()
		c.levers.effects = c.levers.aim
	}
}

// leversStep moves what has been set, and lets it take effect.
func (c *Combine) leversStep() {
	k := &c.levers
	if !k.touched {
		return
	}
	for l := range k.at {
		move := k.goal[l] - k.at[l]
		if most := levers[l].perS * slowS; most > 0 {
			move = clamp(move, -most, most)
		}
		k.at[l] += move
	}
	c.moved()
	k.aim = c.effectsNow()
	k.effects.follow(&k.aim)
}

// moved puts the positions of the levers into the machine.
func (c *Combine) moved() {
	at := &c.levers.at
	c.rot.set(radPerS(at[leverRotor]), &c.eng)
	c.crop.ConcaveMM, c.crop.FanRPM = at[leverConcave], at[leverFan]
	c.crop.UpperMM, c.crop.LowerMM = at[leverUpper], at[leverLower]
	if c.op.headerMM == c.crop.CutMM {
		c.op.headerMM = at[leverCut]
	}
	c.crop.CutMM = at[leverCut]
}

func (s Scenario) validateSettings() []*problem.Problem {
	var all []*problem.Problem
	m, ok := modelNamed(s.Machine)
	c, known := cropNamed(s.Crop)
	if !ok || !known {
		return nil // told already
	}
	c.YieldTHa, c.MOGRatio = s.YieldTHa, s.MOGRatio
	usual := usualPositions(&m, &c, s.LoadPct)
	found := 0
	for l := range levers {
		name := levers[l].name
		v, ok := s.Settings[name]
		if _, err := leverNamed(name, &c); !ok || err != nil {
			continue
		}
		found++
		if low, high := reach(l, &c, usual[l]); !(v >= low && v <= high) {
			all = append(all, &problem.Problem{Key: "settings." + name, What: fmt.Sprintf("%g is not between %.4g and %.4g %s", v, low, high, levers[l].unit),
				Try: fmt.Sprintf("give a number in that range; %.4g is usual", usual[l])})
		}
	}
	if found < len(s.Settings) {
		_, err := leverNamed("", &c)
		all = append(all, &problem.Problem{Key: "settings", What: "a setting of a lever that the machine has not in this crop",
			Try: strings.TrimPrefix(err.Error(), `virtual: the machine has no lever "" in `+c.Name+", ")})
	}
	return all
}
