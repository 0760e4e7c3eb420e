package decode

import (
	"testing"

	"pgregory.net/rapid"

	"chaffinch/canbus"
)

// In the first eight bytes a field of a long message is that of a frame, which
// the CAN library reads; n bytes further on it is the same, 8 n bits on.
func TestFieldsOfLongMessagesAreThoseOfFrames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		order := rapid.SampledFrom([]canbus.ByteOrder{canbus.LittleEndian, canbus.BigEndian}).Draw(t, "order")
		start := rapid.Int64Range(0, 63).Draw(t, "start")
		length := rapid.Int64Range(1, 64).Draw(t, "length")
		last, fits := canbus.FieldLastByte(uint8(start), uint8(length), order)
		got, _ := fieldLastByte(start, length, order)
		if got != last {
			t.Fatalf("last byte %d, want %d", got, last)
		}
		if !fits {
			return
		}
		further := rapid.Int64Range(0, maxFieldBytes-8).Draw(t, "further")
		payload := rapid.SliceOfN(rapid.Byte(), maxFieldBytes, maxFieldBytes).Draw(t, "payload")
		f := canbus.Frame{Len: 8, Data: [8]byte(payload[further:])}
		raw := fieldBits(payload, uint16(start+8*further), uint8(length), order)
		if want := f.Unsigned(uint8(start), uint8(length), order); raw != want {
			t.Fatalf("%x, want %x", raw, want)
		}
		if want := f.Signed(uint8(start), uint8(length), order); twosComplement(raw, uint8(length)) != want {
			t.Fatalf("%d, want %d", twosComplement(raw, uint8(length)), want)
		}
	})
}

// A little-endian field over nine bytes, by hand.
func TestAFieldMayLieOverNineBytes(t *testing.T) {
	payload := make([]byte, 20)
	payload[9], payload[17] = 0xF0, 0x0A // bits 76 to 79 set, and 137 and 139
	if got := fieldBits(payload, 76, 64, canbus.LittleEndian); got != 0xA00000000000000F {
		t.Errorf("%x", got)
	}
	if last, ok := fieldLastByte(76, 64, canbus.LittleEndian); last != 18 || !ok {
		t.Errorf("%d %v", last, ok)
	}
	for _, c := range [][2]int64{{-1, 8}, {512, 1}, {505, 8}, {0, 0}, {0, 65}} {
		if _, ok := fieldLastByte(c[0], c[1], canbus.LittleEndian); ok {
			t.Errorf("%v fits", c)
		}
	}
}
