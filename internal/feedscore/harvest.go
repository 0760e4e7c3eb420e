// Package feedscore holds what the core says of activity and feed rate against
// the truth of make-believe harvests. It serves tests only.
package feedscore

import (
	"fmt"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
)

// Second is what was said of one second of a harvest, and what was true.
type Second struct {
	Heard    bool // false while the bus sleeps
	Activity machine.Activity
	Feed, SD float64 // means over the second, t/h
	Basis    machine.FeedBasis
	Fullness float64 // %, meaningful if FullnessKnown

	FullnessKnown bool

	TrueActivity string
	TrueFeed     float64
}

// Harvest is a make-believe harvest as the core heard it.
type Harvest struct {
	Scenario virtual.Scenario
	Seed     uint64
	Seconds  []Second
	Ledger   machine.Ledger
}

// Options change what of a harvest is heard.
type Options struct {
	Hours   float64
	Signals string // signal set
	// NoCurve drops what engines say of themselves in broadcasts of several
	// frames, above all their torque curve, and their friction.
	NoCurve bool
	// NoGrain drops the process data value of grain flow, so that power alone
	// is left.
	NoGrain bool
	// Edit changes the scenario.
	Edit func(*virtual.Scenario)
}

// Run lives through the harvest of a seed.
func Run(seed uint64, o Options) (*Harvest, error) {
	s := virtual.Random(seed, o.Hours)
	if o.Signals != "" {
		s.Signals = o.Signals
	}
	if o.Edit != nil {
		o.Edit(&s)
	}
	cfg, err := configFor(s)
	if err != nil {
		return nil, err
	}
	h := &Harvest{Scenario: s, Seed: seed}
	var c *core.Core
	c, err = core.New(cfg, core.Outputs{State: func(st *machine.State) { h.state(c, st) }})
	if err != nil {
		return nil, err
	}
	combine := virtual.New(s, seed)
	for f := range combine.Frames() {
		if o.NoCurve && fromEngine(f) || o.NoGrain && isGrainFlow(f) {
			continue
		}
		c.Frame(f)
	}
	c.Finish()
	h.finish(combine.Truth())
	return h, nil
}

// fromEngine tells whether a frame is part of a broadcast of several frames or
// the friction of an engine.
func fromEngine(f *canbus.Frame) bool {
	const tpControl, tpData, friction = 0xEC00, 0xEB00, 0xFEDF
	pgn := f.ID >> 8 & 0x3FFFF
	if pgn&0xFF00 == tpControl || pgn&0xFF00 == tpData {
		pgn &= 0xFF00
	}
	return f.ID&0xFF == 0 && (pgn == tpControl || pgn == tpData || pgn == friction)
}

// isGrainFlow tells whether a frame is a value of grain flow, DDI 87 of
// ISO 11783-11.
func isGrainFlow(f *canbus.Frame) bool {
	const processData, value, grainFlow = 0xCB, 3, 87
	return f.ID>>16&0xFF == processData && f.Data[0]&0xF == value && f.Data[2] == grainFlow && f.Data[3] == 0
}

// configFor is the configuration that an owner of the combine would write.
func configFor(s virtual.Scenario) (*config.Config, error) {
	cfg, wrong := config.FromText(virtual.ConfigText(s))
	if len(wrong) > 0 {
		return nil, fmt.Errorf("feedscore: %v", wrong)
	}
	return cfg, nil
}

// state takes a step: ten make a second, and the last says the activity.
func (h *Harvest) state(c *core.Core, s *machine.State) {
	at := signal.Instant(c.Stamp(s.Now) - c.FirstStamp())
	if at <= 0 {
		return
	}
	second := int((at - 1) / signal.Instant(time.Second))
	for len(h.Seconds) <= second {
		h.Seconds = append(h.Seconds, Second{})
	}
	x := &h.Seconds[second]
	x.Heard = true
	x.Activity = s.Activity
	x.Feed += float64(s.Feed.Rate) / float64(core.StepsPerSecond)
	x.SD += float64(s.Feed.SD) / float64(core.StepsPerSecond)
	x.Basis = s.Feed.Basis
	x.Fullness, x.FullnessKnown = float64(s.Feed.Fullness), s.Feed.FullnessKnown
	h.Ledger = s.Ledger
}

func (h *Harvest) finish(truth virtual.Truth) {
	n := min(len(h.Seconds), len(truth.Activity))
	h.Seconds = h.Seconds[:n]
	for i := range n {
		h.Seconds[i].TrueActivity, h.Seconds[i].TrueFeed = truth.Activity[i], truth.FeedTH[i]
	}
}
