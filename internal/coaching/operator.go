package coaching

import (
	"math"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect/advise"
	"chaffinch/detect/advise/count"
	"chaffinch/detect/advise/knowledge"
)

// operator does what he is told; see the package.
type operator struct {
	combine *virtual.Combine
	moves   bool    // else he only says so
	times   float64 // how far he goes beside what he is asked
	dice    dice
	todo    []task
	counted uint64 // draws so far
	busy    signal.Instant
	breaks  bool // he stops now and then
	stops   int  // so far
	holds   bool // a ground speed that he was asked for
}

// task is something that he will do.
type task struct {
	at signal.Instant
	do func()
}

const (
	firstStop   = 390 * time.Second
	breakEach   = 40 * time.Minute
	breakTakes  = 5 * time.Minute
	sampleTakes = time.Minute
	countTakes  = 4 * time.Minute
	// lookAfter a change that only a look can judge.
	lookAfter = 3 * time.Minute
)

func (o *operator) later(at signal.Instant, do func()) {
	o.todo = append(o.todo, task{at, do})
}

// step does what is due, in the order in which it was taken on.
func (o *operator) step(now signal.Instant) {
	if o.stops == 0 && now >= signal.Instant(firstStop) {
		o.stops++
		o.combine.Stay(20)
	}
	if o.breaks && now >= signal.Instant(o.stops)*signal.Instant(breakEach) {
		o.stops++
		o.combine.Stay(breakTakes.Seconds())
	}
	for i := 0; i < len(o.todo); i++ {
		if t := o.todo[i]; t.at <= now {
			o.todo = append(o.todo[:i], o.todo[i+1:]...)
			t.do()
			i--
		}
	}
}

func (o *operator) reaction() time.Duration {
	return time.Duration(o.dice.between(10, 40) * float64(time.Second))
}

// byHandTakes is how long he is at a lever outside the cab.
var byHandTakes = map[string]time.Duration{"concave": 4 * time.Minute, "upper_sieve": 2 * time.Minute, "lower_sieve": 2 * time.Minute}

// obey does what a prompt says and gives the answer.
func (o *operator) obey(p *advise.Prompt) advise.Answer {
	done := advise.Answer{Prompt: p.ID, Reply: advise.Done}
	at := o.combine.Setting(p.Lever)
	if math.IsNaN(at) {
		switch p.Lever {
		case "guide_vanes", "deck_plates":
			if p.Direction != knowledge.Look {
				done.Reply = advise.NotPossible
			}
		}
		return done
	}
	to := at
	switch {
	case p.Lever == "cut_height" && p.To != nil && p.From != nil:
		to += *p.To - *p.From // the bus tells it in coarse steps only: he goes by how far
	case p.To != nil:
		to = *p.To
	case p.Lever == "reel" && p.Direction == knowledge.Look:
		to = 1.15 // up to a quarter over ground speed, and only laying the crop in
	case p.By != nil && p.Direction == knowledge.Up:
		to += *p.By
	case p.By != nil && p.Direction == knowledge.Down:
		to -= *p.By
	case p.Direction == knowledge.Up:
		to += o.combine.Step(p.Lever)
	case p.Direction == knowledge.Down:
		to -= o.combine.Step(p.Lever)
	}
	if !o.moves {
		return done
	}
	if o.times > 1 && way(p) && p.Lever != "ground_speed" {
		to = o.within(p.Lever, at, at+o.times*(to-at))
	}
	if o.combine.Set(p.Lever, to) != nil {
		done.Reply = advise.NotPossible
		return done
	}
	if p.Lever == "ground_speed" {
		o.holds = true
		if p.Back {
			o.free()
		}
	}
	return done
}

func way(p *advise.Prompt) bool {
	return !p.Back && (p.Direction == knowledge.Up || p.Direction == knowledge.Down)
}

// within is as far towards a setting as the lever goes.
func (o *operator) within(lever string, from, to float64) float64 {
	low, high := o.combine.Range(lever)
	return min(max(to, min(low, from)), max(high, from))
}

// free lets him drive by the engine's load again.
func (o *operator) free() {
	o.combine.Free()
	o.holds = false
}

// stays adds the time that a check takes to the stop, and tells when it is done.
func (o *operator) stays(now signal.Instant, takes time.Duration) signal.Instant {
	o.combine.Stay(takes.Seconds() + 5)
	o.busy = max(o.busy, now).Add(takes)
	return o.busy
}

func (o *operator) draw(mean float64) int {
	o.counted++
	return virtual.Found(mean, 1, o.counted*7919+uint64(o.dice.r.Uint32()))
}

// handfulG, a can of a litre two thirds full, is the mass of a tank sample.
const handfulG = 500.0

// tank looks at a sample from the tank. Grades are by what is usual: twice that
// is "some", three times "much".
func (o *operator) tank() *advise.TankSample {
	s, g := o.combine.Sample(), o.combine.Ground()
	pieces := handfulG / g.ThousandKernelG * 1000
	look := func(pct, relative float64) advise.Grade {
		usual := pct / max(relative, 1e-9)
		found := float64(o.draw(pct/100*pieces)) / max(usual/100*pieces, 1e-9)
		switch {
		case found < 0.5:
			return advise.None
		case found < 1.5:
			return advise.Little
		case found < 3:
			return advise.Some
		}
		return advise.Much
	}
	return &advise.TankSample{Broken: look(s.BrokenPct, s.Broken), Trash: look(s.TrashPct, s.Trash), Unthreshed: look(s.UnthreshedPct, s.Unthreshed)}
}

// returns looks at what comes back.
func (o *operator) returns() *advise.ReturnsSample {
	s := o.combine.Sample()
	const pieces = 60
	grain, heads, chaff := o.draw(s.ReturnedGrain*pieces), o.draw(s.ReturnedHeads*pieces), o.draw(s.ReturnedChaff*pieces)
	half := (grain + heads + chaff) / 2
	switch {
	case grain > half:
		return &advise.ReturnsSample{Mostly: advise.CleanGrain}
	case heads > half:
		return &advise.ReturnsSample{Mostly: advise.Heads}
	case chaff > half:
		return &advise.ReturnsSample{Mostly: advise.Chaff}
	}
	return &advise.ReturnsSample{Mostly: advise.Mixed}
}

// ground counts kernels: in three places of the standing crop, four behind the
// header and four behind the machine, of a square metre, of a quarter where they
// lie thick.
func (o *operator) ground() advise.Check {
	g := o.combine.Ground()
	c := count.Count{CutWidthM: g.CutWidthM, DischargeWidthM: g.DischargeWidthM, ThousandKernelG: g.ThousandKernelG, YieldTHa: g.YieldTHa}
	kernels := 0
	for _, p := range [...]struct {
		where  count.Where
		perM2  float64
		places int
	}{{count.PreHarvest, g.PreHarvest, 3}, {count.Header, g.Header, 4}, {count.Behind, g.Behind, 4}} {
		area := 1.0
		if p.perM2 > 400 {
			area = 0.25
		}
		for range p.places {
			n := o.draw(p.perM2 * area)
			kernels += n
			c.Places = append(c.Places, count.Place{Where: p.where, Kernels: n, AreaM2: area})
		}
	}
	sees := []advise.Observation{{Condition: knowledge.StrawFine, Is: o.combine.Sample().StrawFine > 1.3}}
	r, err := c.Loss()
	if err != nil {
		return advise.Check{Sees: sees}
	}
	return advise.Check{Sees: sees, Ground: &advise.GroundCount{
		HeaderKgHa: max(0, r.Header.KgHa), MachineKgHa: max(0, r.Machine.KgHa), HeaderSE: r.Header.SE, MachineSE: r.Machine.SE,
		HeaderKnown: r.Header.Known, MachineKnown: r.Machine.Known, YieldKgHa: 1000 * g.YieldTHa, Kernels: kernels, Enough: r.Enough,
	}}
}
