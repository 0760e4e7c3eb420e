package j1939

import (
	"encoding/binary"
	"math"

	"chaffinch/canbus/signal"
)

// Field is one parameter inside a message's payload.
type Field struct {
	SPN  uint32 // suspect parameter number; 0 where none is known
	Name string
	// Start is the field's least significant bit: 8 x (byte - 1) + (bit - 1)
	// in the standard's counting from 1. All fields are little-endian.
	Start uint16
	Bits  uint8 // 1 to 64
	Rule  Rule
	// The value is raw x Scale + Offset, in Unit.
	Scale, Offset float64
	Unit          string // as in the list of signals; empty for states and numbers
	// Min and Max are the valid range; outside, a value is OutOfRange.
	Min, Max float64
}

// Byte and Bit are the position in the standard's counting from 1.
func (f *Field) Byte() int { return int(f.Start)/8 + 1 }

// Bit is the position of the least significant bit in its byte, from 1.
func (f *Field) Bit() int { return int(f.Start)%8 + 1 }

// Raw reads the field's bits. It is false if the payload is too short.
func (f *Field) Raw(payload []byte) (uint64, bool) {
	first, end := int(f.Start)/8, (int(f.Start)+int(f.Bits)+7)/8
	if end > len(payload) {
		return 0, false
	}
	var raw uint64
	for i := end - 1; i >= first; i-- {
		raw = raw<<8 | uint64(payload[i])
	}
	return raw >> (f.Start % 8) & ones(f.Bits), true
}

// Read gives the field's value in its unit, and whether it is one. What lies
// past the payload's end is NotAvailable, not zero.
func (f *Field) Read(payload []byte) (float64, signal.Quality) {
	raw, ok := f.Raw(payload)
	if !ok {
		return 0, signal.NotAvailable
	}
	return f.Value(raw)
}

// ReadFrame is Read for the data of a single frame, loaded as one
// little-endian number.
func (f *Field) ReadFrame(data uint64, length uint8) (float64, signal.Quality) {
	if f.Start+uint16(f.Bits) > uint16(length)*8 {
		return 0, signal.NotAvailable
	}
	return f.Value(data >> f.Start & ones(f.Bits))
}

// Value scales a raw value after testing that it is one.
func (f *Field) Value(raw uint64) (float64, signal.Quality) {
	if i := f.Rule.Indicate(raw, f.Bits); i != IsValue {
		return 0, i.Quality()
	}
	v := float64(raw)
	if f.Rule == NMEASigned {
		v = float64(int64(raw<<(64-f.Bits)) >> (64 - f.Bits))
	}
	v = v*f.Scale + f.Offset
	if !(v >= f.Min && v <= f.Max) {
		return 0, signal.OutOfRange
	}
	return v, signal.Good
}

// LoadFrame loads the data of a frame for ReadFrame.
func LoadFrame(data *[8]byte) uint64 { return binary.LittleEndian.Uint64(data[:]) }

// The tables of messages are written with the constructors below: position,
// number and name, scale, offset and unit, and a narrower range where the
// standard has one.

// at is the position byte.bit in the standard's counting.
func at(byteNumber, bit int) uint16 { return uint16(8*(byteNumber-1) + bit - 1) }

func number(start uint16, bits uint8, spn uint32, name string, scale, offset float64, unit string) Field {
	f := Field{SPN: spn, Name: name, Start: start, Bits: bits, Scale: scale, Offset: offset, Unit: unit}
	return f.whole()
}

func u8(b int, spn uint32, name string, scale, offset float64, unit string) Field {
	return number(at(b, 1), 8, spn, name, scale, offset, unit)
}

func u16(b int, spn uint32, name string, scale, offset float64, unit string) Field {
	return number(at(b, 1), 16, spn, name, scale, offset, unit)
}

func u32(b int, spn uint32, name string, scale, offset float64, unit string) Field {
	return number(at(b, 1), 32, spn, name, scale, offset, unit)
}

// state is a field of a few bits that names a state.
func state(b, bit int, bits uint8, spn uint32, name string) Field {
	return number(at(b, bit), bits, spn, name, 1, 0, "")
}

// whole gives the field the full range of its rule.
func (f Field) whole() Field {
	f.Min = f.Offset
	f.Max = float64(f.Rule.Largest(f.Bits))*f.Scale + f.Offset
	if f.Rule == NMEASigned {
		f.Min = -math.Ldexp(1, int(f.Bits)-1)*f.Scale + f.Offset
	}
	return f
}

func (f Field) rule(r Rule) Field {
	f.Rule = r
	return f.whole()
}

// within narrows the valid range.
func (f Field) within(lowest, highest float64) Field {
	f.Min, f.Max = lowest, highest
	return f
}
