package decode

import (
	"slices"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Follow takes a change of address and returns what it does to the readings.
// What is known of a node goes with it:
//
//	a node that moves keeps its values, its faults and its pool;
//	of a node that loses its address nothing is left: its values are not
//	available from then on, whoever speaks from that address;
//	a node that is named for the first time where one has been heard is
//	taken for that one.
//
// The slice is used again by the next call.
func (d *Decoder) Follow(c j1939.AddressChange) []Update {
	d.out = d.out[:0]
	face, from, to := min(c.Interface, interfaces-1), c.From, c.To
	moves := from < j1939.NullAddress && d.names[face][from] == c.Name
	if to >= j1939.NullAddress {
		if moves {
			d.names[face][from] = 0
			d.forget(face, from, c.At)
		}
		d.eachSender(func(s *sender) { s.lost(face, c.Name) })
		return d.out
	}
	if d.names[face][to] == c.Name {
		return d.out
	}
	if moves || d.names[face][to] != 0 {
		d.forget(face, to, c.At)
	}
	if moves {
		d.names[face][from] = 0
		d.move(face, from, to, c.At)
	}
	d.names[face][to] = c.Name
	d.eachSender(func(s *sender) { s.claimed(face, to, c.Name) })
	return d.out
}

func (d *Decoder) eachSender(do func(*sender)) {
	for i := range d.maps {
		do(&d.maps[i].from)
	}
	for id := range d.prefer {
		for i := range d.prefer[id] {
			do(&d.prefer[id][i].from)
		}
	}
}

// forget drops what was heard from an address that belongs to nobody now, or
// to another node. Where a signal was read from it, it has no value any more.
func (d *Decoder) forget(face, address uint8, at signal.Instant) {
	d.heard[face][address] = signal.Never
	for id := range d.choices {
		d.withdraw(signal.ID(id), noRoute, face, address, at)
	}
	d.measured.forget(face, address)
	d.controllers.forget(face, address)
	d.engines.forget(face, address)
	d.pools = slices.DeleteFunc(d.pools, func(p knownPool) bool { return p.face == face && p.address == address })
	d.faults.Forget(face, address)
}

// withdraw drops what an address said of a signal by one route, or by all. Where
// the signal was read from it, it has no value any more.
func (d *Decoder) withdraw(id signal.ID, route signal.Route, face, address uint8, at signal.Instant) {
	c := &d.choices[id]
	if c.n == 0 {
		return
	}
	if used := c.candidates[c.present].from; comesBy(used, face, address, route) {
		d.out = append(d.out, Update{ID: id, Reading: signal.Reading[float64]{
			At: at, Heard: at, Quality: signal.NotAvailable, From: used}})
	}
	c.forget(face, address, route)
}

// move takes what was heard from an address to another one, of which nothing
// is known. A value that is sent only on change holds from there on.
func (d *Decoder) move(face, from, to uint8, at signal.Instant) {
	d.heard[face][from], d.heard[face][to] = signal.Never, at
	for id := range d.choices {
		c := &d.choices[id]
		c.move(face, from, to)
		if c.n == 0 {
			continue
		}
		k := &c.candidates[c.present]
		if k.onChange && k.at != signal.Never && k.from.Interface == face && k.from.Address == to {
			d.out = append(d.out, Update{ID: signal.ID(id), Reading: signal.Reading[float64]{
				Value: k.value, At: at, Heard: at, Quality: k.quality, OnChange: true, From: k.from}})
		}
	}
	d.measured.move(face, from, to)
	d.controllers.move(face, from, to)
	d.engines.move(face, from, to)
	d.movePool(face, from, to)
	d.faults.Move(face, from, to)
}
