package canbus

import (
	"testing"

	"pgregory.net/rapid"
)

// slowField walks a field bit by bit, as the DBC rules say it: little-endian
// upwards from the least significant bit; big-endian downwards inside a byte
// from the most significant bit, then on with bit 7 of the next byte.
func slowField(data [8]byte, start, length uint8, order ByteOrder) (value uint64, last int, ok bool) {
	bit := int(start)
	for i := range int(length) {
		if bit > 63 {
			return 0, 0, false
		}
		b := uint64(data[bit/8]>>(bit%8)) & 1
		last = max(last, bit/8+1)
		if order == BigEndian {
			value = value<<1 | b
			if bit%8 == 0 {
				bit += 16
			}
			bit--
		} else {
			value |= b << i
			bit++
		}
	}
	return value, last, true
}

func TestFieldsAgainstWalkingBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var f Frame
		for i := range f.Data {
			f.Data[i] = rapid.Byte().Draw(t, "byte")
		}
		start := rapid.Uint8Range(0, 63).Draw(t, "start")
		length := rapid.Uint8Range(1, 64).Draw(t, "length")
		order := ByteOrder(rapid.Uint8Range(0, 1).Draw(t, "order"))
		want, wantLast, fits := slowField(f.Data, start, length, order)
		last, ok := FieldLastByte(start, length, order)
		if ok != fits {
			t.Fatalf("fits: got %v, want %v", ok, fits)
		}
		if !fits {
			return
		}
		if last != wantLast {
			t.Fatalf("last byte: got %d, want %d", last, wantLast)
		}
		if got := f.Unsigned(start, length, order); got != want {
			t.Fatalf("unsigned: got %#x, want %#x", got, want)
		}
		signed := int64(want<<(64-length)) >> (64 - length)
		if got := f.Signed(start, length, order); got != signed {
			t.Fatalf("signed: got %d, want %d", got, signed)
		}
	})
}
