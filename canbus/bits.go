package canbus

import "go.einride.tech/can"

// ByteOrder is how a field that crosses bytes is laid out.
type ByteOrder uint8

const (
	LittleEndian ByteOrder = iota // least significant byte first, as on a J1939 bus
	BigEndian                     // most significant byte first
)

// Unsigned returns a field of the frame's data. Bits are counted as in DBC
// files: bit 0 is the least significant bit of byte 1, bit 8 that of byte 2.
// Start is the field's least significant bit if little-endian, its most
// significant bit if big-endian. The field must fit: see FieldLastByte.
func (f *Frame) Unsigned(start, length uint8, order ByteOrder) uint64 {
	d := (*can.Data)(&f.Data)
	if order == BigEndian {
		return d.UnsignedBitsBigEndian(start, length)
	}
	return d.UnsignedBitsLittleEndian(start, length)
}

// Signed is Unsigned for a field in two's complement.
func (f *Frame) Signed(start, length uint8, order ByteOrder) int64 {
	d := (*can.Data)(&f.Data)
	if order == BigEndian {
		return d.SignedBitsBigEndian(start, length)
	}
	return d.SignedBitsLittleEndian(start, length)
}

// FieldLastByte is the number (1 to 8) of the last byte that the field
// touches, and false if the field does not fit in eight bytes. A frame with
// fewer bytes does not carry the field.
func FieldLastByte(start, length uint8, order ByteOrder) (int, bool) {
	if start > 63 || length < 1 || length > 64 {
		return 0, false
	}
	bits, first := int(length), int(start/8)
	if order == BigEndian {
		bits -= int(start%8) + 1 // the rest of the first byte, downwards
		last := first + 1 + (max(bits, 0)+7)/8
		return last, last <= 8
	}
	last := (int(start) + bits + 7) / 8
	return last, last <= 8
}
