package detect

import (
	"math"
	"math/rand/v2"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

type mode uint8

const (
	never mode = iota
	sends
	notAvailable
	errs
	gone
	stays  // keeps to the bit what it was when it was last sent
	absurd // out of its physical range
)

// player plays a script into a machine and its detectors.
type player struct {
	s       *script
	machine *machine.Machine
	rules   *Detectors
	rng     *rand.Rand

	now     signal.Instant
	values  [signal.Count]float64
	modes   [signal.Count]mode
	last    [signal.Count]float64
	sent    [signal.Count]signal.Instant
	faults  []machine.Fault
	busGone bool

	events []Event
	when   []signal.Instant // that each was told
	state  *machine.State
	each   func()
}

func wheat() machine.Crop {
	return machine.Crop{Name: "wheat", SpecificEnergyKWhT: 3.6, EnergyBasis: machine.PerMOG, IdlePowerKW: 20, MOGRatio: 0.8}
}

func newPlayer(s *script) *player {
	p := &player{s: s, machine: machine.New(s.own, wheat()), rng: rand.New(rand.NewPCG(1, 2))}
	p.rules = New(DefaultSettings(), Facts{Machine: s.own, Crop: wheat()})
	for id := range p.sent {
		p.sent[id] = signal.Never
	}
	return p
}

func (p *player) segment() {
	p.note(p.rules.Reset(p.now))
	p.machine.Reset()
}

func (p *player) note(events []Event) {
	p.events = append(p.events, events...)
	for range events {
		p.when = append(p.when, p.now)
	}
}

func (p *player) play() {
	const tick = 10 * time.Millisecond
	for t := time.Duration(0); t <= p.s.end; t += tick {
		p.now = signal.Instant(t)
		for i := range p.s.actions {
			a := &p.s.actions[i]
			switch {
			case a.from == a.to && t == a.from:
				a.do(p, 0)
			case a.from < a.to && t >= a.from && t <= a.to:
				a.do(p, float64(t-a.from)/float64(a.to-a.from))
			}
		}
		if t%machine.Period == 0 {
			p.state = p.machine.Step(p.now)
			p.note(p.rules.Step(p.state))
			if p.each != nil {
				p.each()
			}
		}
		if !p.busGone {
			p.send(t)
		}
	}
	p.note(p.rules.Finish(p.now))
}

func (p *player) send(t time.Duration) {
	heard := false
	for i := range p.values {
		id := signal.ID(i)
		if p.modes[i] == never || p.modes[i] == gone || t%p.s.rates[i] != 0 {
			continue
		}
		heard = true
		r := signal.Reading[float64]{Value: p.values[i] + p.wander(id), At: p.now, Heard: p.now, Quality: signal.Good,
			From: signal.Source{Address: sender(id), Route: signal.Route(i)}}
		switch p.modes[i] {
		case sends:
			p.last[i] = r.Value
		case stays:
			r.Value = p.last[i]
		case absurd:
			r.Value, r.Quality = 0, signal.OutOfRange
		case notAvailable:
			r.Value, r.Quality = 0, signal.NotAvailable
		case errs:
			r.Value, r.Quality = 0, signal.SensorError
		}
		p.machine.Apply(id, r)
	}
	if heard {
		p.machine.Heard(p.now)
	}
	p.machine.Faults(p.faults)
}

func (p *player) wander(id signal.ID) float64 {
	n := &p.s.noises[id]
	if n.sd == 0 {
		return 0
	}
	keep := math.Exp(-p.s.rates[id].Seconds() / n.tau)
	n.now = keep*n.now + n.sd*math.Sqrt(1-keep*keep)*p.rng.NormFloat64()
	return n.now
}
