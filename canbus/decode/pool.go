package decode

import (
	"slices"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// knownPool is what the decoder needs of a device descriptor pool.
type knownPool struct {
	face, address uint8
	rotor         int // element number, -1 if none
	widths        []uint16
	sum           bool
	millimetres   []int32 // by widths, where heard
	heard         []bool
	fixed         float64 // the header's width in m, where it is a property and not sent; else 0
}

// maxPools is how many implements are kept in mind.
const maxPools = 16

// SetPool takes the device descriptor pool of the node at an address: from then
// on its elements are known by what they are. It returns the width of the
// header where the pool holds it. What was read by another pool, or by none, is
// withdrawn where this one reads it otherwise.
func (d *Decoder) SetPool(face, address uint8, pool *processdata.Pool, at signal.Instant) []Update {
	d.out = d.out[:0]
	face = min(face, interfaces-1)
	k := knownPool{face: face, address: address, rotor: -1}
	if n, ok := pool.Rotor(); ok {
		k.rotor = int(n)
	}
	k.widths, k.sum = pool.WidthElements()
	k.millimetres = make([]int32, len(k.widths))
	k.heard = make([]bool, len(k.widths))
	if mm, ok := pool.HeaderWidth(); ok && len(k.widths) == 0 {
		k.fixed = float64(mm) / 1000
	}
	was := d.poolOf(signal.Source{Interface: face, Address: address})
	if was == nil || !was.readsAs(&k) {
		if was != nil || !d.guessedWidth(&k) {
			d.dropPool(face, address, at)
		}
		if len(d.pools) == maxPools {
			d.dropPool(d.pools[0].face, d.pools[0].address, at)
		}
		d.pools = append(d.pools, k)
	}
	d.takeFixed(&k, at)
	return d.out
}

// DropPool forgets the pool of the node at an address, as it is not its own,
// and withdraws what was read by it.
func (d *Decoder) DropPool(face, address uint8, at signal.Instant) []Update {
	d.out = d.out[:0]
	if face = min(face, interfaces-1); d.poolOf(signal.Source{Interface: face, Address: address}) != nil {
		d.dropPool(face, address, at)
	}
	return d.out
}

func (d *Decoder) dropPool(face, address uint8, at signal.Instant) {
	d.pools = slices.DeleteFunc(d.pools, func(p knownPool) bool { return p.face == face && p.address == address })
	d.withdraw(signal.CutWidth.ID, widthMeasured, face, address, at)
	if d.rotorElement < 0 {
		d.withdraw(signal.RotorSpeed.ID, rotorMeasured, face, address, at)
	}
}

// Recall gives what the pools say that no message repeats: the widths that are
// properties. It is what is left of a node after a Reset.
func (d *Decoder) Recall(at signal.Instant) []Update {
	d.out = d.out[:0]
	for i := range d.pools {
		d.takeFixed(&d.pools[i], at)
	}
	return d.out
}

func (d *Decoder) takeFixed(k *knownPool, at signal.Instant) {
	if k.fixed > 0 {
		from := signal.Source{Interface: k.face, Address: k.address}
		d.take(signal.CutWidth.ID, widthMeasured, from, at, k.fixed, signal.Good, true)
	}
}

// guessedWidth tells whether the width was read without the pool from the element
// that the pool names.
func (d *Decoder) guessedWidth(k *knownPool) bool {
	return len(k.widths) == 1 && d.measured.isLowest(k.face, k.address, processdata.ActualWorkingWidth, k.widths[0])
}

// readsAs tells whether two pools give the same meaning to what is sent.
func (p *knownPool) readsAs(o *knownPool) bool {
	return p.rotor == o.rotor && p.sum == o.sum && p.fixed == o.fixed && slices.Equal(p.widths, o.widths)
}

func (d *Decoder) poolOf(from signal.Source) *knownPool {
	for i := range d.pools {
		if p := &d.pools[i]; p.face == from.Interface && p.address == from.Address {
			return p
		}
	}
	return nil
}

// isRotor tells whether revolutions of an element are those of the rotor.
func (d *Decoder) isRotor(from signal.Source, element uint16) bool {
	if d.rotorElement >= 0 {
		return int(element) == d.rotorElement
	}
	p := d.poolOf(from)
	return p != nil && p.rotor == int(element)
}

// width is the width of the header: that of the element which the pool says,
// the sum over its sections once all are known, or, without a pool, that of
// the lowest element.
func (d *Decoder) width(from signal.Source, m processdata.Message, scale float64) (float64, bool) {
	p := d.poolOf(from)
	if p == nil || len(p.widths) == 0 {
		return float64(m.Value) * scale, d.measured.lowest(from, m.DDI, m.Element)
	}
	i := slices.Index(p.widths, m.Element)
	if i < 0 {
		return 0, false
	}
	if !p.sum {
		return float64(m.Value) * scale, true
	}
	p.millimetres[i], p.heard[i] = m.Value, true
	var total int64
	for j, mm := range p.millimetres {
		if !p.heard[j] {
			return 0, false
		}
		total += int64(mm)
	}
	return float64(total) * scale, true
}

// Named is the NAME that was last claimed for an address, or 0.
func (d *Decoder) Named(face, address uint8) j1939.Name {
	return d.names[min(face, interfaces-1)][address]
}

// movePool keeps a pool with its node when that takes another address.
func (d *Decoder) movePool(face, from, to uint8) {
	for i := range d.pools {
		if p := &d.pools[i]; p.face == face && p.address == from {
			p.address = to
		}
	}
}
