package advise

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
)

// follower follows one setting on the bus, second by second. A change counts
// once the values have left the old setting by more than they scatter and have
// come to rest: a ramp of an adjuster is one change, noise and quantisation are
// none.
type follower struct {
	lever  *knowledge.Lever
	crop   string
	id     signal.ID
	driven bool // it turns with the engine
	inCrop bool // it shows its setting only in settled work
	roams  bool // the ground moves it too: only what the operator says he has done counts
	scaled bool // values are put to the engine's reference speed
	sum    float64
	n      int
	last   [restS]float64
	filled int
	away   int // seconds for which the values have been off the setting
	left   signal.Instant
	held   float64
	has    bool
	heard  signal.Instant
}

const (
	restS = 6 // seconds over which values have to be at rest
	// awayS: scattered values count after so long off the setting.
	awayS = 15
	// deadShare of the lever's step is no change yet.
	deadShare = 0.4
	// restShare of that is how much values at rest may scatter over.
	restShare = 0.75
	// driftShare a second: what a measured speed drifts is no change either.
	driftShare = 0.005
	// slipShare is how far a belt lets what it drives go off its setting.
	slipShare = 0.015
	// engineOff is how far the engine may be off its reference while what it
	// drives tells its setting.
	engineOff = 0.10
)

// shift is a change of a setting that was seen.
type shift struct {
	from, to float64
	at       signal.Instant // when the values left the old setting
}

// newFollower follows a lever whose signal is known; ok is false for others.
func newFollower(l *knowledge.Lever, crop string) (f follower, ok bool) {
	id, ok := signal.ByName(l.Signal)
	if !ok || id == signal.GroundSpeed.ID {
		return f, false
	}
	f = follower{lever: l, crop: crop, id: id, heard: signal.Never}
	f.driven = id == signal.RotorSpeed.ID || id == signal.FanSpeed.ID
	f.roams = id == signal.HeaderHeight.ID
	f.inCrop = f.driven || f.roams
	return f, true
}

func (f *follower) forget() {
	f.sum, f.n, f.filled, f.away, f.has = 0, 0, 0, 0, false
	f.heard = signal.Never
}

// step takes a state.
func (f *follower) step(s *machine.State) {
	v, ok := s.Signals.Fresh(f.id, s.Now)
	if !ok || !finite(v) {
		return
	}
	if f.inCrop && (s.Activity != machine.Cutting || s.Now.Sub(s.InCrop) < settleIn) {
		return
	}
	if f.driven {
		engine, ok := signal.EngineSpeed.Fresh(&s.Signals, s.Now)
		ref := float64(s.Engine.Reference)
		scaled := ok && s.Engine.ReferenceKnown && ref > 0 && engine > 0
		if scaled != f.scaled {
			f.scaled = scaled
			f.forget()
		}
		if scaled {
			share := float64(engine) / ref
			if !(share > 1-engineOff && share < 1+engineOff) {
				return
			}
			v /= share
		}
	}
	f.sum += v
	f.n++
	f.heard = s.Now
}

// deadband is how far off the setting is no change yet.
func (f *follower) deadband() float64 {
	dead := max(deadShare*amountOf(f.lever, f.crop, 1, f.held), 1e-9)
	if f.driven {
		dead = max(dead, slipShare*f.held)
	}
	return dead
}

// amountOf is how far steps of a lever go in a crop.
func amountOf(l *knowledge.Lever, crop string, steps, present float64) float64 {
	if factor := l.CropSteps[crop]; factor > 0 {
		steps *= factor
	}
	return l.Amount(steps, present)
}

// second ends a second, and tells a change that has come to rest.
func (f *follower) second(now signal.Instant) (shift, bool) {
	if f.n == 0 {
		return shift{}, false
	}
	v := f.sum / float64(f.n)
	f.sum, f.n = 0, 0
	copy(f.last[:], f.last[1:])
	f.last[restS-1] = v
	if f.filled < restS {
		f.filled++
	}
	if f.filled < restS {
		return shift{}, false
	}
	low, high, mean := f.last[0], f.last[0], 0.0
	for _, x := range f.last {
		low, high = min(low, x), max(high, x)
		mean += x / restS
	}
	if !f.has {
		if high-low > amountOf(f.lever, f.crop, 1, mean) {
			return shift{}, false // still on its way
		}
		f.held, f.has = mean, true
		return shift{}, false
	}
	dead := f.deadband()
	off := mean - f.held
	if off < dead && off > -dead {
		f.away = 0
		f.held += driftShare * off
		return shift{}, false
	}
	if f.away == 0 {
		f.left = now
	}
	f.away++
	if high-low > restShare*dead && f.away < awayS {
		return shift{}, false
	}
	seen := shift{from: f.held, to: mean, at: f.left}
	f.held, f.away = mean, 0
	return seen, true
}

// present is where the lever stands.
func (f *follower) present(now signal.Instant) (float64, bool) {
	return f.held, f.has && now.Sub(f.heard) <= settingAge
}
