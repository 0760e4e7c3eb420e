package decode

import (
	"slices"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// Process data (ISO 11783-10) are taken as measurements only when a client
// sends them to a task controller: the other way they are set points.

// usualController is the preferred address of a task controller.
const usualController = 247

// controllers marks the addresses whose status message said that a task
// controller lives there.
type controllers struct {
	at    [interfaces][256]bool
	known [interfaces]int
}

func (c *controllers) add(from signal.Source) {
	if at := &c.at[from.Interface][from.Address]; !*at {
		*at = true
		c.known[from.Interface]++
	}
}

func (c *controllers) forget(face, address uint8) {
	if at := &c.at[face][address]; *at {
		*at = false
		c.known[face]--
	}
}

func (c *controllers) move(face, from, to uint8) {
	if c.at[face][from] {
		c.at[face][from], c.at[face][to] = false, true
	}
}

// fromClient tells whether a message goes from a client to a task controller.
// Before any task controller has been heard it is enough that it does not come
// from where one usually lives.
func (c *controllers) fromClient(from signal.Source, destination uint8) bool {
	if c.known[from.Interface] == 0 {
		return from.Address != usualController
	}
	at := &c.at[from.Interface]
	return !at[from.Address] && at[destination]
}

// how says what a value of process data means.
type how uint8

const (
	scaled how = iota
	twoBits
	unloadingBits
	risingTime
	rotorRevolutions
	workingWidth
	wheelSpeed
)

// meaning takes one identifier to one signal.
type meaning struct {
	route         signal.Route
	how           how
	scale, offset float64 // from the raw value to the signal's unit
}

// meanings is indexed by identifier. Those that give no signal have no route.
type meanings [512]meaning

func measuredMeanings() *meanings {
	var m meanings
	for r := noRoute + 1; r < standardRoutes; r++ {
		ddi := routes[r].ddi
		if ddi == 0 {
			continue
		}
		e, _ := processdata.Lookup(ddi)
		scale, offset, unit := e.Scale()
		if unit == "mm" && routes[r].signal == signal.CutWidth.ID {
			scale /= 1000
		}
		m[ddi] = meaning{route: r, scale: scale, offset: offset}
	}
	m[processdata.ActualWorkState].how = twoBits
	m[processdata.HeaderHeightStatus].how = twoBits
	m[processdata.UnloadingStatus].how = unloadingBits
	m[processdata.ThresherEngagedTime].how = risingTime
	m[processdata.ActualRevolutions].how = rotorRevolutions
	m[processdata.ActualWorkingWidth].how = workingWidth
	m[processdata.ActualSpeed].how = wheelSpeed
	return &m
}

// measuredState is what must be kept between values.
type measuredState struct {
	meanings  *meanings
	elements  [32]lowestElement
	used      int
	threshing [4]threshing
	made      [interfaces][256]bool // speeds that their sender calls simulated
}

// lowestElement remembers, for an identifier from a sender, the lowest element
// number that gave it: the device or the function before its parts.
type lowestElement struct {
	face, address uint8
	ddi, element  uint16
}

// threshing follows the counter of threshing time of a sender.
type threshing struct {
	used          bool
	face, address uint8
	seconds       int32
	rose          signal.Instant // when it last rose, or was first heard
	engaged       float64
	known         bool
}

// stillStopped is how long the counter must stand, while it is reported, to
// mean that the thresher is off.
const stillStopped = 3 * time.Second

func (s *measuredState) reset() {
	if s.meanings == nil {
		s.meanings = measuredMeanings()
	}
	s.used = 0
	s.threshing = [4]threshing{}
	s.made = [interfaces][256]bool{}
}

func (s *measuredState) forget(face, address uint8) {
	kept := 0
	for _, e := range s.elements[:s.used] {
		if e.face != face || e.address != address {
			s.elements[kept] = e
			kept++
		}
	}
	s.used = kept
	for i := range s.threshing {
		if t := &s.threshing[i]; t.used && t.face == face && t.address == address {
			*t = threshing{}
		}
	}
	s.made[face][address] = false
}

func (s *measuredState) move(face, from, to uint8) {
	for i := range s.used {
		if e := &s.elements[i]; e.face == face && e.address == from {
			e.address = to
		}
	}
	for i := range s.threshing {
		if t := &s.threshing[i]; t.used && t.face == face && t.address == from {
			t.address = to
		}
	}
	s.made[face][to] = s.made[face][from]
	s.made[face][from] = false
}

// lowest tells whether the element is the lowest that gave the identifier so
// far. Values of others are those of parts.
func (s *measuredState) lowest(from signal.Source, ddi, element uint16) bool {
	for i := range s.used {
		e := &s.elements[i]
		if e.ddi == ddi && e.address == from.Address && e.face == from.Interface {
			e.element = min(e.element, element)
			return e.element == element
		}
	}
	if s.used < len(s.elements) {
		s.elements[s.used] = lowestElement{from.Interface, from.Address, ddi, element}
		s.used++
	}
	return true
}

// isLowest tells whether the element is the one by which the identifier was read.
func (s *measuredState) isLowest(face, address uint8, ddi, element uint16) bool {
	return slices.Contains(s.elements[:s.used], lowestElement{face, address, ddi, element})
}

func (d *Decoder) decodeProcessData(f *canbus.Frame, data uint64, from signal.Source) {
	if f.Len < 8 {
		return
	}
	m := processdata.ParseFrame(data)
	destination := uint8(f.ID >> 8)
	switch m.Command {
	case processdata.ControllerStatus:
		if destination == j1939.GlobalAddress {
			d.controllers.add(from)
		}
	case processdata.Value:
		if int(m.DDI) >= len(d.measured.meanings) || !d.controllers.fromClient(from, destination) {
			return
		}
		if m.DDI == processdata.SpeedSource {
			d.measured.made[from.Interface][from.Address] = m.Value == processdata.SpeedSimulated
			if m.Value == processdata.SpeedSimulated {
				d.simulated = f.At
			}
			return
		}
		if k := &d.measured.meanings[m.DDI]; k.route != noRoute {
			d.takeMeasured(k, m, from, f.At)
		}
	}
}

func (d *Decoder) takeMeasured(k *meaning, m processdata.Message, from signal.Source, at signal.Instant) {
	v, q := float64(m.Value)*k.scale+k.offset, signal.Good
	onChange := true
	switch k.how {
	case rotorRevolutions:
		if !d.isRotor(from, m.Element) {
			return
		}
	case workingWidth:
		var ok bool
		if v, ok = d.width(from, m, k.scale); !ok {
			return
		}
	default:
		if !d.measured.lowest(from, m.DDI, m.Element) {
			return
		}
	}
	switch k.how {
	case twoBits:
		v, q = twoBitState(m.Value)
	case unloadingBits:
		v, q = twoBitState(m.Value & 3)
	case risingTime:
		var ok bool
		if v, ok = d.measured.rising(from, m.Value, at); !ok {
			return
		}
		// A counter that stands is not reported on change: without reports
		// nobody knows.
		onChange = false
	case wheelSpeed:
		if d.measured.made[from.Interface][from.Address] {
			q, d.simulated = signal.NotAvailable, at
		}
	}
	d.take(routes[k.route].signal, k.route, from, at, v, q, onChange)
}

// twoBitState reads a state: 0 off, 1 on, 2 error, 3 not installed.
func twoBitState(raw int32) (float64, signal.Quality) {
	switch raw {
	case 0, 1:
		return float64(raw), signal.Good
	case 2:
		return 0, signal.SensorError
	case 3:
		return 0, signal.NotAvailable
	}
	return 0, signal.OutOfRange
}

// rising follows the counter of threshing time: it rises while threshing is
// engaged. It says nothing until a second report.
func (s *measuredState) rising(from signal.Source, seconds int32, at signal.Instant) (float64, bool) {
	var t *threshing
	for i := range s.threshing {
		k := &s.threshing[i]
		if k.used && k.address == from.Address && k.face == from.Interface {
			t = k
			break
		}
		if !k.used && t == nil {
			t = k
		}
	}
	if t == nil || seconds < 0 {
		return 0, false
	}
	switch {
	case !t.used || seconds < t.seconds: // first heard, or another task began
		*t = threshing{used: true, face: from.Interface, address: from.Address, seconds: seconds, rose: at}
	case seconds > t.seconds:
		t.seconds, t.rose, t.engaged, t.known = seconds, at, 1, true
	case at.Sub(t.rose) > stillStopped:
		t.engaged, t.known = 0, true
	}
	return t.engaged, t.known
}
