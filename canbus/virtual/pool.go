package virtual

import "math"

const (
	structureLabel    = "HARVST1" // 7 bytes
	localizationLabel = "en\x50\x00\x55\x00\xFF"
)

// Elements of the machine's device descriptor pool.
const (
	elementDevice = iota
	elementHeader
	elementSeparator
	elementYield
	elementMoisture
	elementTank
	elementSections // and upwards
)

// pool is the device descriptor pool (ISO 11783-10 version 4) of a machine:
// device, header with its sections, separator, sensors and tank.
func (c *Combine) pool() []byte {
	p := poolWriter{}
	p.object("DVC", 0)
	p.text("make-believe combine")
	p.text("1.0")
	n := node{address: addrMachine, class: 7, function: 132, industry: 2}
	p.b = append(p.b, nameBytes(n.name())...)
	p.text("1")
	p.b = append(p.b, structureLabel...)
	p.b = append(p.b, localizationLabel...)
	p.b = append(p.b, 0) // no extended structure label

	const (
		mmShown, flowShown, percentShown = 500, 501, 502
	)
	header := []uint16{p.process(67, 1, 8, "width", mmShown), p.process(62, 1, 9, "height", mmShown), p.process(237, 1, 8, "in work", none),
		p.process(141, 1, 8, "work state", none), p.property(350, 1, "kind", none), p.property(70, int32(c.width*1000), "greatest width", mmShown)}
	separator := []uint16{p.process(243, 1, 8, "lower sieve", mmShown), p.process(247, 1, 8, "upper sieve", mmShown), p.process(251, 1, 8, "concave", mmShown),
		p.process(255, 1, 9, "fan", none), p.process(236, 0, 17, "threshing time", none), p.property(350, 3, "kind", none)}
	yield := []uint16{p.process(87, 1, 1, "grain flow", flowShown), p.process(98, 1, 1, "crop loss", percentShown), p.property(350, 1<<16|4, "kind", none)}
	moisture := []uint16{p.process(99, 1, 1, "moisture", percentShown), p.property(350, 2<<16|4, "kind", none)}
	tank := []uint16{p.process(240, 1, 8, "unloading", none), p.process(467, 1, 1, "fill", none)}

	p.element(elementDevice, 1, "machine", 0, []uint16{p.process(57343, 0, 0, "default set", none)})
	p.element(elementHeader, 2, "header", 100, header)
	p.element(elementSeparator, 2, "separator", 100, separator)
	p.element(elementYield, 2, "yield sensor", 100, yield)
	p.element(elementMoisture, 2, "moisture sensor", 100, moisture)
	p.element(elementTank, 3, "grain tank", 100, tank)
	for i := range c.model.Sections {
		w := int32(c.width * 1000 / float64(c.model.Sections))
		y := int32((float64(i)+0.5)*float64(w) - c.width*500)
		p.element(elementSections+i, 4, "section", 101, []uint16{
			p.property(134, 3200, "offset forward", mmShown), p.property(135, y, "offset right", mmShown), p.property(67, w, "width", mmShown)})
	}
	p.presentation(mmShown, 0.001, 2, "m")
	p.presentation(flowShown, 3.6e-6, 1, "t/h")
	p.presentation(percentShown, 1e-4, 1, "%")
	return p.b
}

const none = 0xFFFF

type poolWriter struct {
	b    []byte
	next uint16 // ids of process data and properties count from 200
}

func (p *poolWriter) object(kind string, id uint16) {
	p.b = append(p.b, kind...)
	p.u16(id)
}
func (p *poolWriter) u16(v uint16) { p.b = append(p.b, byte(v), byte(v>>8)) }
func (p *poolWriter) i32(v int32) {
	p.b = append(p.b, byte(v), byte(v>>8), byte(v>>16), byte(v>>24))
}
func (p *poolWriter) text(s string) {
	p.b = append(p.b, byte(len(s)))
	p.b = append(p.b, s...)
}

func (p *poolWriter) newID() uint16 {
	p.next++
	return 199 + p.next
}

func (p *poolWriter) process(ddi uint16, properties, triggers byte, name string, shown uint16) uint16 {
	n := p.newID()
	p.object("DPD", n)
	p.u16(ddi)
	p.b = append(p.b, properties, triggers)
	p.text(name)
	p.u16(shown)
	return n
}

func (p *poolWriter) property(ddi uint16, value int32, name string, shown uint16) uint16 {
	n := p.newID()
	p.object("DPT", n)
	p.u16(ddi)
	p.i32(value)
	p.text(name)
	p.u16(shown)
	return n
}

// element ids are 100 and the element's number.
func (p *poolWriter) element(number int, kind byte, name string, parent uint16, children []uint16) {
	p.object("DET", uint16(100+number))
	p.b = append(p.b, kind)
	p.text(name)
	p.u16(uint16(number))
	p.u16(parent)
	p.u16(uint16(len(children)))
	for _, id := range children {
		p.u16(id)
	}
}

func (p *poolWriter) presentation(id uint16, scale float32, decimals byte, unit string) {
	p.object("DVP", id)
	p.i32(0)
	p.i32(int32(math.Float32bits(scale)))
	p.b = append(p.b, decimals)
	p.text(unit)
}
