package decode

import (
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Engine is what an engine says of itself: its torque curve (PGN 65251) and
// its friction (PGN 65247).
//
//	net torque in Nm = (actual torque - FrictionPct) / 100 x ReferenceNm
//	power in kW      = net torque x engine speed / 9549.3
type Engine struct {
	From signal.Source

	ReferenceNm    float64 // torque at 100 %
	ReferenceKnown bool
	FrictionPct    float64
	FrictionKnown  bool

	// Curve holds points 1 to 5 (point 1 is idle), as far as they are known.
	Curve         []CurvePoint
	HighIdle      signal.RPM
	HighIdleKnown bool

	points [5]CurvePoint
}

// CurvePoint is the most torque that an engine gives at a speed.
type CurvePoint struct {
	Speed  signal.RPM
	Torque signal.Percent // of the reference torque
}

// The SPNs of points 1 to 5 of the curve.
var curveSPNs = [5][2]uint32{{188, 539}, {528, 540}, {529, 541}, {530, 542}, {531, 543}}

func (e *Engine) read(payload []byte) {
	m := j1939.Lookup(j1939.EngineConfiguration)
	if v, q := m.Field(544).Read(payload); q == signal.Good && v > 0 {
		e.ReferenceNm, e.ReferenceKnown = v, true
	}
	if v, q := m.Field(532).Read(payload); q == signal.Good {
		e.HighIdle, e.HighIdleKnown = signal.RPM(v), true
	}
	n := 0
	for _, spn := range curveSPNs {
		speed, speedQ := m.Field(spn[0]).Read(payload)
		torque, torqueQ := m.Field(spn[1]).Read(payload)
		if speedQ == signal.Good && torqueQ == signal.Good {
			e.points[n] = CurvePoint{signal.RPM(speed), signal.Percent(torque)}
			n++
		}
	}
	e.Curve = e.points[:n]
}

// engines keeps the engines heard, the last place shared by those above four.
type engines struct {
	n    int
	list [4]Engine
}

func (e *engines) of(from signal.Source) *Engine {
	for i := range e.n {
		if e.list[i].From == from {
			return &e.list[i]
		}
	}
	if e.n < len(e.list) {
		e.n++
	}
	last := &e.list[e.n-1]
	*last = Engine{From: from}
	return last
}

// forget drops the engine at an address.
func (e *engines) forget(face, address uint8) {
	kept := 0
	for _, k := range e.list[:e.n] {
		if k.From.Interface != face || k.From.Address != address {
			e.list[kept] = k
			e.list[kept].Curve = e.list[kept].points[:len(k.Curve)]
			kept++
		}
	}
	e.n = kept
}

func (e *engines) move(face, from, to uint8) {
	for i := range e.n {
		if s := &e.list[i].From; s.Interface == face && s.Address == from {
			s.Address = to
		}
	}
}

// ReadEngine is Engine without a new list for the curve: that of into is used.
func (d *Decoder) ReadEngine(into *Engine) bool {
	used, ok := d.Source(signal.EngineTorque.ID)
	used.Route = noRoute
	for i := range d.engines.n {
		if e := &d.engines.list[i]; !ok || e.From == used {
			*into = *e
			into.Curve = into.points[:len(e.Curve)]
			return true
		}
	}
	return false
}

// Engine is what is known of the engine whose torque is in use, and whether it
// said anything of itself.
func (d *Decoder) Engine() (Engine, bool) {
	used, ok := d.Source(signal.EngineTorque.ID)
	used.Route = noRoute
	for i := range d.engines.n {
		if e := d.engines.list[i]; !ok || e.From == used {
			e.Curve = append([]CurvePoint(nil), e.Curve...)
			return e, true
		}
	}
	return Engine{}, false
}
