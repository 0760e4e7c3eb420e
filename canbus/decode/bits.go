package decode

import "chaffinch/canbus"

// Fields of messages that came in several frames. Bits are counted on as in
// canbus.Frame.Unsigned: bit 64 is the least significant bit of byte 9.

// maxFieldBytes is how far into a message a field may reach.
const maxFieldBytes = 64

// fieldLastByte is the number, from 1, of the last byte that a field touches;
// false if it does not fit in maxFieldBytes.
func fieldLastByte(start, length int64, order canbus.ByteOrder) (int, bool) {
	if start < 0 || start >= 8*maxFieldBytes || length < 1 || length > 64 {
		return 0, false
	}
	bits := start + length // from the first bit of the message
	if order == canbus.BigEndian {
		bits = start/8*8 + 7 - start%8 + length
	}
	last := int(bits+7) / 8
	return last, last <= maxFieldBytes
}

// fieldBits reads a field that fits in the payload.
func fieldBits(payload []byte, start uint16, length uint8, order canbus.ByteOrder) uint64 {
	var v uint64
	if order == canbus.BigEndian {
		for bit := start; length > 0; length-- {
			v = v<<1 | uint64(payload[bit/8]>>(bit%8)&1)
			if bit%8 == 0 {
				bit += 15
			} else {
				bit--
			}
		}
		return v
	}
	for i := uint16(length); i > 0; i-- {
		bit := start + i - 1
		v = v<<1 | uint64(payload[bit/8]>>(bit%8)&1)
	}
	return v
}

// twosComplement gives the value of a signed field.
func twosComplement(raw uint64, length uint8) int64 {
	return int64(raw<<(64-length)) >> (64 - length)
}
