package canbus

import (
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// plainAgrees holds the short way to the long one: where it says yes, the frame is
// the same.
func plainAgrees(t interface{ Errorf(string, ...any) }, p *plain, line string) (yes bool) {
	names := nameTable{list: []string{"vcan1", "can0"}, last: 1}
	var quick, slow Frame
	slow.Data, quick.Data = [8]byte{9, 9, 9}, [8]byte{7, 7, 7, 7, 7, 7, 7, 7} // of the frame before
	yes = p.read([]byte(line), &quick, &names)
	if bad := parseCandump([]byte(line), &slow, &names); yes && (bad != fine || slow != quick) {
		t.Errorf("%q: %+v, by the long way %+v (%v)", line, quick, slow, bad)
	}
	return yes
}

func TestAPlainLineIsReadAsAnyOther(t *testing.T) {
	for _, c := range []struct {
		line  string
		plain bool
	}{
		{"(1700000000.123456) can0 0CF00400#207D87481400F087", true},
		{"(0000000000.000000) can0 00000000#", true},
		{"(9223372035.999999) can0 1fffffff#ff", true},
		{"(9223372036.000000) can0 1fffffff#ff", false},
		{"(1700000000.123456) can1 0CF00400#207D87481400F087", false},
		{"(1700000000.123456) can0 0CF00400#207D87481400F087\r", false},
		{"(1700000000.123456) can0 0CF00400#20.7D", false},
		{"(1700000000.123456) can0 0CF00400#R", false},
		{"(1700000000.123456) can0 0CF00400##120", false},
		{"(1700000000.123456) can0 20000080#00", false},
		{"(1700000000.123456) can0 123#00", false},
		{"(1700000000.12345) can0 0CF00400#00", false},
		{"(170000000x.123456) can0 0CF00400#00", false},
		{"(1700000000.123456) can0  CF00400#00", false},
		{"(1700000000.123456) can0 0CF00400#207D87481400F08711", false},
		{"(1700000000.123456) can0 0CF00400#2", false},
		{"(1700000000.123456) can0", false},
		{"", false},
	} {
		p := newPlain()
		if got := plainAgrees(t, &p, c.line); got != c.plain {
			t.Errorf("%q is plain: %v", c.line, got)
		}
	}
	p := newPlain() // as in a log: what one line leaves behind the next one finds
	rapid.Check(t, func(t *rapid.T) {
		line := fmt.Sprintf("(%010d.%06d) can0 %08X#%s", rapid.Int64Range(0, 9999999999).Draw(t, "s"), rapid.IntRange(0, 999999).Draw(t, "us"),
			rapid.Uint32().Draw(t, "id"), rapid.StringOfN(rapid.RuneFrom([]rune("0123456789abcdefABCDEF")), 0, 20, -1).Draw(t, "data"))
		plainAgrees(t, &p, line)
		at := rapid.IntRange(0, len(line)-1).Draw(t, "at") // and with a character of something else
		plainAgrees(t, &p, line[:at]+rapid.StringOfN(rapid.RuneFrom([]rune("0aGx#.) ([_-")), 0, 2, -1).Draw(t, "else")+line[at+1:])
	})
	if plainAgrees(t, &p, strings.Repeat("(", 200)) {
		t.Error("brackets are no frame")
	}
}

// Every character in every place, against the table of digits.
func TestEightDigitsAtOnce(t *testing.T) {
	for place := range 8 {
		for c := range 256 {
			text := []byte("09afAF50")
			text[place] = byte(c)
			want, good := uint32(0), true
			for i := 0; i < 8; i += 2 {
				high, low := hexDigit[text[i]], hexDigit[text[i+1]]
				good = good && high != 0 && low != 0
				want |= uint32(high<<4|low&0xF) << (4 * i)
			}
			if got, ok := hex8(binary.LittleEndian.Uint64(text)); ok != good || ok && got != want {
				t.Errorf("hex8 %q: %08x %v, want %08x %v", text, got, ok, want, good)
			}
			text = []byte("12345678")
			text[place] = byte(c)
			number, err := strconv.ParseUint(string(text), 10, 32)
			if got, ok := decimal8(binary.LittleEndian.Uint64(text)); ok != (err == nil) || ok && uint64(got) != number {
				t.Errorf("decimal8 %q: %d %v, want %d %v", text, got, ok, number, err)
			}
		}
	}
}

// A file that a power cut filled with zeros has them where a time should be.
func TestZeroBytesAreNoTime(t *testing.T) {
	const begins = "(1700000000.123456) can0 123#00\n"
	frames, s := readText(t, begins+"("+strings.Repeat("\x00", 10)+".123456) can0 0CF00400#207D87481400F087\n")
	if len(frames) != 1 || s.Bad != 1 {
		t.Errorf("%d frames, %d bad: %+v", len(frames), s.Bad, frames)
	}
}
