package processdata

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"chaffinch/canbus/j1939"
)

// ElementType is the kind of a device element.
type ElementType uint8

const (
	DeviceElement ElementType = iota + 1
	FunctionElement
	BinElement
	SectionElement
	UnitElement
	ConnectorElement
	NavigationElement
)

var elementTypeWords = [...]string{"invalid", "device", "function", "bin", "section", "unit", "connector", "navigation reference"}

// String names the type.
func (t ElementType) String() string {
	if int(t) < len(elementTypeWords) {
		return elementTypeWords[t]
	}
	return "invalid"
}

// NoPresentation is the presentation of an object that has none.
const NoPresentation = 65535

// Pool is a device descriptor object pool: what an implement says of itself.
// Objects stand in the order in which they came.
type Pool struct {
	Devices       []Device
	Elements      []Element
	ProcessData   []ProcessData
	Properties    []Property
	Presentations []Presentation
}

// Device is a DVC object.
type Device struct {
	ID                           uint16
	Designator, Version, Serial  string
	Name                         j1939.Name
	StructureLabel, Localization [7]byte
	ExtendedLabel                []byte // version 4 and later
}

// Element is a DET object.
type Element struct {
	ID         uint16
	Type       ElementType
	Designator string
	Number     uint16 // the element number of process data messages
	Parent     uint16 // object id of an element or of the device
	Children   []uint16
}

// ProcessData is a DPD object: a value that can be asked for.
type ProcessData struct {
	ID, DDI              uint16
	Properties, Triggers uint8
	Designator           string
	Presentation         uint16
}

// Property is a DPT object: a value that does not change.
type Property struct {
	ID, DDI      uint16
	Value        int32
	Designator   string
	Presentation uint16
}

// Presentation is a DVP object: shown = (value + Offset) x Scale.
type Presentation struct {
	ID       uint16
	Offset   int32
	Scale    float32
	Decimals uint8
	Unit     string
}

// Limits of what is taken for a pool. Real ones have a few kilobytes and a few
// hundred objects.
const (
	maxPoolBytes   = 1 << 20
	maxPoolObjects = 4000
)

var errShort = errors.New("ends inside an object")

// ParsePool reads the objects of a pool (ISO 11783-10), without the byte that
// precedes it in an object pool transfer: see PoolOf. On an error the pool
// holds the objects before it.
func ParsePool(b []byte) (Pool, error) {
	var p Pool
	if len(b) > maxPoolBytes {
		return p, fmt.Errorf("processdata: pool of %d bytes is over the limit of %d", len(b), maxPoolBytes)
	}
	r := reader{rest: b}
	for n := 0; len(r.rest) > 0; n++ {
		at := len(b) - len(r.rest)
		if n == maxPoolObjects {
			return p, fmt.Errorf("processdata: pool has more than %d objects", maxPoolObjects)
		}
		kind := string(r.bytes(3))
		id := r.u16()
		switch kind {
		case "DVC":
			if d := r.device(id); !r.short {
				p.Devices = append(p.Devices, d)
			}
		case "DET":
			if e := r.element(id); !r.short {
				p.Elements = append(p.Elements, e)
			}
		case "DPD":
			o := ProcessData{ID: id, DDI: r.u16(), Properties: r.u8(), Triggers: r.u8(), Designator: r.text(), Presentation: r.u16()}
			if !r.short {
				p.ProcessData = append(p.ProcessData, o)
			}
		case "DPT":
			o := Property{ID: id, DDI: r.u16(), Value: r.i32(), Designator: r.text(), Presentation: r.u16()}
			if !r.short {
				p.Properties = append(p.Properties, o)
			}
		case "DVP":
			o := Presentation{ID: id, Offset: r.i32(), Scale: math.Float32frombits(uint32(r.i32())), Decimals: r.u8(), Unit: r.text()}
			if !r.short {
				p.Presentations = append(p.Presentations, o)
			}
		default:
			return p, fmt.Errorf("processdata: pool byte %d: %q is no kind of object", at, kind)
		}
		if r.short {
			return p, fmt.Errorf("processdata: pool byte %d: %s %d: %w", at, kind, id, errShort)
		}
	}
	return p, nil
}

// reader takes fields off the front of a pool. Once it runs short it stays
// short and gives zeros.
type reader struct {
	rest  []byte
	short bool
}

func (r *reader) bytes(n int) []byte {
	if r.short || n > len(r.rest) {
		r.short, r.rest = true, nil
		return make([]byte, 0)
	}
	b := r.rest[:n]
	r.rest = r.rest[n:]
	return b
}

func (r *reader) u8() uint8 {
	if b := r.bytes(1); len(b) == 1 {
		return b[0]
	}
	return 0
}

func (r *reader) u16() uint16 {
	if b := r.bytes(2); len(b) == 2 {
		return binary.LittleEndian.Uint16(b)
	}
	return 0
}

func (r *reader) i32() int32 {
	if b := r.bytes(4); len(b) == 4 {
		return int32(binary.LittleEndian.Uint32(b))
	}
	return 0
}

// text is a string behind its length.
func (r *reader) text() string { return string(r.bytes(int(r.u8()))) }

func (r *reader) device(id uint16) Device {
	d := Device{ID: id, Designator: r.text(), Version: r.text()}
	d.Name, _ = j1939.ParseName(r.bytes(8))
	d.Serial = r.text()
	copy(d.StructureLabel[:], r.bytes(7))
	copy(d.Localization[:], r.bytes(7))
	// Version 4 of the standard added an extended structure label behind its
	// length of at most 32. Older pools go on with the next object, whose name
	// cannot be a length.
	if len(r.rest) > 0 && !r.atObject() {
		d.ExtendedLabel = append([]byte(nil), r.bytes(int(r.u8()))...)
		if len(d.ExtendedLabel) > 32 {
			r.short = true
		}
	}
	return d
}

func (r *reader) atObject() bool {
	if len(r.rest) < 3 {
		return false
	}
	switch string(r.rest[:3]) {
	case "DVC", "DET", "DPD", "DPT", "DVP":
		return true
	}
	return false
}

func (r *reader) element(id uint16) Element {
	e := Element{ID: id, Type: ElementType(r.u8()), Designator: r.text(), Number: r.u16(), Parent: r.u16()}
	n := int(r.u16())
	if n*2 > len(r.rest) {
		r.short = true
		return e
	}
	for range n {
		e.Children = append(e.Children, r.u16())
	}
	return e
}
