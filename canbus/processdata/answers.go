package processdata

import (
	"slices"

	"chaffinch/canbus/j1939"
)

// FunctionKind is what a function element does: the low half of its property
// with DDI 350.
type FunctionKind uint16

const (
	UnknownFunction FunctionKind = iota
	HeaderFunction
	AugerFunction
	SeparatorFunction
	SensorFunction
	TillageFunction
	BalingFunction
)

// Name is the NAME of the device that the pool describes.
func (p *Pool) Name() (j1939.Name, bool) {
	if len(p.Devices) == 0 {
		return 0, false
	}
	return p.Devices[0].Name, true
}

// StructureLabel is the label that a task controller keeps the pool under.
func (p *Pool) StructureLabel() ([7]byte, bool) {
	if len(p.Devices) == 0 {
		return [7]byte{}, false
	}
	return p.Devices[0].StructureLabel, true
}

// Kind says what a function element does and its sub-type (of a header: 1
// row-independent, 2 row crop, 3 pick-up; of a sensor: 1 yield, 2 moisture, 6
// height, 7 load). UnknownFunction if the pool does not say.
func (p *Pool) Kind(e *Element) (kind FunctionKind, subtype uint16) {
	if v, ok := p.property(e, FunctionOrTechnique); ok {
		return FunctionKind(uint32(v) & 0xFFFF), uint16(uint32(v) >> 16)
	}
	return UnknownFunction, 0
}

// property is the value of an element's property.
func (p *Pool) property(e *Element, ddi uint16) (int32, bool) {
	for i := range p.Properties {
		if o := &p.Properties[i]; o.DDI == ddi && slices.Contains(e.Children, o.ID) {
			return o.Value, true
		}
	}
	return 0, false
}

// Gives tells whether an element can be asked for a value.
func (p *Pool) Gives(e *Element, ddi uint16) bool {
	for i := range p.ProcessData {
		if o := &p.ProcessData[i]; o.DDI == ddi && slices.Contains(e.Children, o.ID) {
			return true
		}
	}
	return false
}

// HeaderWidth is the width of the header in millimetres, if the pool holds it
// as a property: of the header function, else of a single function, else the
// sum of the sections. False if it does not, or only as a value to ask for.
func (p *Pool) HeaderWidth() (mm int32, ok bool) {
	var one, sum int64
	var functions, sections, without int
	for i := range p.Elements {
		e := &p.Elements[i]
		w, has := p.width(e)
		switch e.Type {
		case FunctionElement:
			if kind, _ := p.Kind(e); kind == HeaderFunction && has {
				return w, true
			}
			if has {
				functions++
				one = int64(w)
			}
		case SectionElement:
			if has {
				sections++
				sum += int64(w)
			} else {
				without++
			}
		}
	}
	switch {
	case functions == 1:
		return int32(one), true
	case functions == 0 && sections > 0 && without == 0 && sum < 1<<31:
		return int32(sum), true
	}
	return 0, false
}

func (p *Pool) width(e *Element) (int32, bool) {
	if w, ok := p.property(e, ActualWorkingWidth); ok && w > 0 {
		return w, true
	}
	w, ok := p.property(e, MaximumWorkingWidth)
	return w, ok && w > 0
}

// Rotor is the number of the element whose revolutions (DDI 390) are those of
// the threshing rotor: a separator function.
func (p *Pool) Rotor() (element uint16, ok bool) {
	for i := range p.Elements {
		e := &p.Elements[i]
		kind, _ := p.Kind(e)
		if e.Type == FunctionElement && kind == SeparatorFunction && p.Gives(e, ActualRevolutions) {
			return e.Number, true
		}
	}
	return 0, false
}

// WidthElements are the elements whose values of DDI 67 are the width of the
// header: the header function or the only function with one; else all
// sections, whose values add up.
func (p *Pool) WidthElements() (elements []uint16, sum bool) {
	var functions, sections []uint16
	for i := range p.Elements {
		e := &p.Elements[i]
		if !p.Gives(e, ActualWorkingWidth) {
			continue
		}
		switch kind, _ := p.Kind(e); {
		case e.Type == FunctionElement && kind == HeaderFunction:
			return []uint16{e.Number}, false
		case e.Type == FunctionElement:
			functions = append(functions, e.Number)
		case e.Type == SectionElement:
			sections = append(sections, e.Number)
		}
	}
	if len(functions) == 1 {
		return functions, false
	}
	if len(functions) == 0 {
		return sections, len(sections) > 1
	}
	return nil, false
}
