package decode

import (
	"slices"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Claimed takes an address claim: the node with this NAME has this address
// from now on. Maps with a source follow the NAME that they first met at it.
func (d *Decoder) Claimed(face, address uint8, name j1939.Name) {
	face = min(face, interfaces-1)
	if address >= j1939.NullAddress || d.names[face][address] == name {
		return
	}
	if d.names[face][address] != 0 {
		d.forget(face, address)
	}
	for old := range d.names[face] {
		if d.names[face][old] == name {
			d.names[face][old] = 0
			d.movePool(face, uint8(old), address)
			d.forget(face, uint8(old))
		}
	}
	d.names[face][address] = name
	for i := range d.maps {
		d.maps[i].claimed(face, address, name)
	}
}

// forget drops what was heard from an address that belongs to another node
// now.
func (d *Decoder) forget(face, address uint8) {
	d.heard[face][address] = signal.Never
	gone := func(s signal.Source) bool { return s.Interface == face && s.Address == address }
	for i := range d.choices {
		d.choices[i].forget(gone)
	}
	d.measured.forget(face, address)
	d.controllers.forget(face, address)
	d.engines.forget(face, address)
	d.pools = slices.DeleteFunc(d.pools, func(p knownPool) bool { return p.face == face && p.address == address })
	d.faults.Forget(face, address)
}
