package canbus

import (
	"testing"

	"pgregory.net/rapid"
)

// The first four are from public samples, with lengths on which the exact mode
// of canframelen.c of can-utils and an own calculation agreed.
func TestFrameBits(t *testing.T) {
	tests := []struct {
		line string
		want int
	}{
		{"(1.0) c 0CF00400#207D87481400F087", 142},
		{"(1.0) c 18FEF500#FFFFFFFFFFFFFFFF", 147},
		{"(1.0) c 18FEF200#0000000000000000", 147},
		{"(1.0) c 09F8011C#CA965C16C8965C16", 136},
		{"(1.0) c 20000004#0001000000000000", 0},
		{"(1.0) c 123##0", 0},
	}
	for _, test := range tests {
		var f Frame
		var names nameTable
		if bad := parseCandump([]byte(test.line), &f, &names); bad != fine {
			t.Fatal(bad)
		}
		if got := FrameBits(&f); got != test.want {
			t.Errorf("%s: %d bits, want %d", test.line, got, test.want)
		}
	}
}

// Bounds of canframelen.c: 67+8n bits without and 80+10n with the most stuff
// bits for a 29-bit frame, 47+8n and 55+10n for an 11-bit one.
func TestFrameBitsStayInBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Frame{ID: rapid.Uint32Range(0, stdBits).Draw(t, "id"), Len: rapid.Uint8Range(0, 8).Draw(t, "n")}
		low, high := 47, 55
		if rapid.Bool().Draw(t, "extended") {
			f.ID, f.Flags = rapid.Uint32Range(0, idBits).Draw(t, "long id"), Extended
			low, high = 67, 80
		}
		for i := range f.Len {
			f.Data[i] = rapid.SampledFrom([]byte{0, 0xFF, 0x0F, 0xF0, 0x55, 0x83}).Draw(t, "byte")
		}
		n := int(f.Len)
		if got := FrameBits(&f); got < low+8*n || got > high+10*n {
			t.Fatalf("%+v: %d bits, not in %d..%d", f, got, low+8*n, high+10*n)
		}
	})
}

func BenchmarkFrameBits(b *testing.B) {
	f := Frame{ID: 0x0CF00400, Flags: Extended, Len: 8, Data: [8]byte{0x20, 0x7D, 0x87, 0x48, 0x14, 0, 0xF0, 0x87}}
	for b.Loop() {
		FrameBits(&f)
	}
}
