package canbus

import (
	"fmt"
	"strings"
	"testing"

	"go.einride.tech/can"
	"pgregory.net/rapid"
)

// The forms are those of can-utils (lib.h, lib.c, candump.c); the error frames
// are of Linux can/error.h.
func TestParseCandump(t *testing.T) {
	const at = 1700000000_123456000
	eec1 := [8]byte{0x20, 0x7D, 0x87, 0x48, 0x14, 0x00, 0xF0, 0x87}
	tests := []struct {
		name, line string
		want       Frame
	}{
		{"29-bit", "(1700000000.123456) can0 0CF00400#207D87481400F087",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: eec1}},
		{"lower case", "(1700000000.123456) can0 0cf00400#207d87481400f087",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: eec1}},
		{"nanoseconds", "(1700000000.123456789) can0 0CF00400#",
			Frame{Stamp: at + 789, ID: 0x0CF00400, Flags: Extended}},
		{"from zero", "(000.000001) can0 18EAFF25#E6FE00",
			Frame{Stamp: 1000, ID: 0x18EAFF25, Flags: Extended, Len: 3, Data: [8]byte{0xE6, 0xFE}}},
		{"absolute date", "(2023-11-14 22:13:20.123456) can0 18EAFF25#E6FE00",
			Frame{Stamp: at, ID: 0x18EAFF25, Flags: Extended, Len: 3, Data: [8]byte{0xE6, 0xFE}}},
		{"11-bit", "(1700000000.123456) can0 123#1122",
			Frame{Stamp: at, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}}},
		{"29-bit with a small id", "(1700000000.123456) can0 00000123#",
			Frame{Stamp: at, ID: 0x123, Flags: Extended}},
		{"dots", "(1700000000.123456) can0 123#11.22.33.44.55.66.77.88",
			Frame{Stamp: at, ID: 0x123, Len: 8, Data: [8]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}}},
		{"error: receive overflow", "(1700000000.123456) can0 20000004#0001000000000000",
			Frame{Stamp: at, ID: ErrController, Flags: ErrorFrame, Len: 8, Data: [8]byte{0, CtrlRxOverflow}}},
		{"error: bus off", "(1700000000.123456) can0 20000040#0000000000000000",
			Frame{Stamp: at, ID: ErrBusOff, Flags: ErrorFrame, Len: 8}},
		{"error: restarted", "(1700000000.123456) can0 20000100#0000000000000000",
			Frame{Stamp: at, ID: ErrRestarted, Flags: ErrorFrame, Len: 8}},
		{"error: protocol and bus", "(1700000000.123456) can0 20000088#00000A0A00000000",
			Frame{Stamp: at, ID: ErrProtocol | ErrBus, Flags: ErrorFrame, Len: 8, Data: [8]byte{0, 0, 10, 10}}},
		{"remote", "(1700000000.123456) can0 18FEF100#R",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | Remote}},
		{"remote with length", "(1700000000.123456) can0 18FEF100#R8",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | Remote, Code: 8}},
		{"remote, small r", "(1700000000.123456) can0 18FEF100#r3 T",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | Remote, Code: 3}},
		{"remote with raw code", "(1700000000.123456) can0 18FEF100#R8_D",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | Remote, Code: 13}},
		{"FD", "(1700000000.123456) can0 18FEF100##1FF000AFFFFFFFFFF",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | FD}},
		{"FD of 64 bytes", "(1700000000.123456) can0 123##0" + strings.Repeat("A5", 64),
			Frame{Stamp: at, ID: 0x123, Flags: FD}},
		{"raw code", "(1700000000.123456) can0 123#1122334455667788_F",
			Frame{Stamp: at, ID: 0x123, Len: 8, Code: 15, Data: [8]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}}},
		{"received", "(1700000000.123456) can0 123#1122 R", Frame{Stamp: at, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}}},
		{"sent", "(1700000000.123456) can0 123#1122 T", Frame{Stamp: at, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}}},
		{"padded name", "(1700000000.123456)   can0\t123#1122", Frame{Stamp: at, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}}},
		{"carriage return", "(1700000000.123456) can0 123#1122\r", Frame{Stamp: at, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}}},
		{"screen", "(1700000000.123456)  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: eec1}},
		{"screen with picture", "(1700000000.123456)  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87   ' }.H....'",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: eec1}},
		{"screen with direction", "(1700000000.123456)  can0  RX - -  0CF00400   [8]  20 7D 87 48 14 00 F0 87",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: eec1}},
		{"screen, FD with direction", "(1700000000.123456)  can0  TX B E  0CF00400  [02]  20 7D",
			Frame{Stamp: at, ID: 0x0CF00400, Flags: Extended | FD}},
		{"screen, error", "(1700000000.123456)  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME",
			Frame{Stamp: at, ID: ErrController, Flags: ErrorFrame, Len: 8, Data: [8]byte{0, 1}}},
		{"screen, remote", "(1700000000.123456)  can0  18FEF100   [8]  remote request",
			Frame{Stamp: at, ID: 0x18FEF100, Flags: Extended | Remote, Code: 8}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got := Frame{Len: 7, Code: 7, Flags: 0xFF, Interface: 9, Data: [8]byte{1, 2, 3, 4, 5, 6, 7, 8}}
			var names nameTable
			if bad := parseCandump([]byte(test.line), &got, &names); bad != fine {
				t.Fatalf("%s: %s", test.line, bad)
			}
			if got != test.want {
				t.Errorf("%s\n got %+v\nwant %+v", test.line, got, test.want)
			}
			if len(names.list) != 1 || names.list[0] != "can0" {
				t.Errorf("interface names %q", names.list)
			}
		})
	}
}

func TestParseCandumpRefuses(t *testing.T) {
	tests := []struct {
		line string
		want fault
	}{
		{"", faultNotAFrame},
		{"# a comment", faultNotAFrame},
		{"(", faultTime},
		{"(170.1234567890) can0 123#11", faultTime},
		{"(1700000000) can0 123#11", faultTime},
		{"(1700000000.) can0 123#11", faultTime},
		{"(1700000000.5 can0 123#11", faultTime},
		{"(-1.000000) can0 123#11", faultTime},
		{"(9999999999.000000) can0 123#11", faultTime}, // does not fit a Stamp
		{"(99999999999999999999.0) can0 123#11", faultTime},
		{"(2023-13-14 22:13:20.123456) can0 123#11", faultTime},
		{"(2023-11-14T22:13:20.123456) can0 123#11", faultTime},
		{"(1700000000.123456)can0 123#11", faultName},
		{"(1700000000.123456)", faultName},
		{"(1700000000.123456) " + strings.Repeat("x", 65) + " 123#11", faultName},
		{"(1700000000.123456) can0", faultID},
		{"(1700000000.123456) can0 12#11", faultID},
		{"(1700000000.123456) can0 1234#11", faultID},
		{"(1700000000.123456) can0 012345678#11", faultID},
		{"(1700000000.123456) can0 12G#11", faultID},
		{"(1700000000.123456) can0 12345#80:00:11", faultXL},
		{"(1700000000.123456) can0 800#11", faultIDRange},
		{"(1700000000.123456) can0 8CF00400#11", faultIDRange},
		{"(1700000000.123456) can0 4CF00400#11", faultIDRange},
		{"(1700000000.123456) can0 123", faultID},
		{"(1700000000.123456) can0 123#1", faultData},
		{"(1700000000.123456) can0 123#1G", faultData},
		{"(1700000000.123456) can0 123#11.", faultData},
		{"(1700000000.123456) can0 123#112233445566778899", faultLength},
		{"(1700000000.123456) can0 123#1122_9", faultData},
		{"(1700000000.123456) can0 123#1122334455667788_8", faultCode},
		{"(1700000000.123456) can0 123#R9", faultLength},
		{"(1700000000.123456) can0 123##", faultData},
		{"(1700000000.123456) can0 123##0" + strings.Repeat("00", 65), faultLength},
		{"(1700000000.123456) can0 123#1122 X", faultTail},
		{"(1700000000.123456) can0 123   [9]  11 22 33 44 55 66 77 88 99", faultLength},
		{"(1700000000.123456) can0 123   [2]  11", faultLength},
		{"(1700000000.123456) can0 123   [2]  11 2", faultLength},
		{"(1700000000.123456) can0 123   [1]  1122", faultData},
		{"(1700000000.123456) can0 123   [x]  11", faultLength},
	}
	for _, test := range tests {
		var f Frame
		var names nameTable
		if got := parseCandump([]byte(test.line), &f, &names); got != test.want {
			t.Errorf("%q: %q, want %q", test.line, got, test.want)
		}
		if len(names.list) > 0 {
			t.Errorf("%q left an interface name", test.line)
		}
	}
}

func TestEveryFaultHasWords(t *testing.T) {
	seen := map[string]bool{}
	for f := fine; f <= faultPacket; f++ {
		if f.String() == "unknown" || seen[f.String()] {
			t.Errorf("fault %d: %q", f, f)
		}
		seen[f.String()] = true
	}
}

// The library go.einride.tech/can parses the same text on its own.
func TestParserAgreesWithLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in can.Frame
		in.IsExtended = rapid.Bool().Draw(t, "extended")
		limit := uint32(stdBits)
		if in.IsExtended {
			limit = idBits
		}
		in.ID = rapid.Uint32Range(0, limit).Draw(t, "id")
		in.Length = rapid.Uint8Range(0, 8).Draw(t, "length")
		in.IsRemote = rapid.Bool().Draw(t, "remote")
		if !in.IsRemote {
			for i := range in.Length {
				in.Data[i] = rapid.Byte().Draw(t, "byte")
			}
		}
		text := in.String()
		var theirs can.Frame
		if err := theirs.UnmarshalString(text); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		var ours Frame
		var names nameTable
		if bad := parseCandump([]byte("(1.5) c "+text), &ours, &names); bad != fine {
			t.Fatalf("%s: %s", text, bad)
		}
		if got := toLibrary(&ours); got != theirs {
			t.Fatalf("%s: ours %+v, the library's %+v", text, got, theirs)
		}
	})
}

func toLibrary(f *Frame) can.Frame {
	c := can.Frame{ID: f.ID, Length: f.Len, IsExtended: f.Is(Extended), IsRemote: f.Is(Remote), Data: f.Data}
	if c.IsRemote {
		c.Length = f.Code
	}
	return c
}

func TestParseAllocatesNothing(t *testing.T) {
	lines := [][]byte{
		[]byte("(1700000000.123456) can0 0CF00400#207D87481400F087"),
		[]byte("(1700000000.223456) can1 20000004#0001000000000000"),
		[]byte("(1700000000.323456)  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87"),
		[]byte("(1700000000.423456) can1 123#R8"),
		[]byte("(1700000000.523456) can1 123#not a frame"),
	}
	var f Frame
	var names nameTable
	parse := func() {
		for _, line := range lines {
			parseCandump(line, &f, &names)
		}
	}
	parse() // the names are new once
	if n := testing.AllocsPerRun(100, parse); n != 0 {
		t.Errorf("%v allocations for %d lines", n, len(lines))
	}
}

func FuzzParseCandump(f *testing.F) {
	f.Add([]byte("(1700000000.123456) can0 0CF00400#207D87481400F087"))
	f.Add([]byte("(2023-11-14 22:13:20.123456)  can0  RX - -  0CF00400   [8]  20 7D 87 48 14 00 F0 87"))
	f.Add([]byte("(1.5) can0 18FEF100##1FF000AFFFFFFFFFF"))
	f.Add([]byte("(1.5) can0 123#R8_F R"))
	f.Fuzz(func(t *testing.T, line []byte) {
		var frame Frame
		var names nameTable
		if parseCandump(line, &frame, &names) != fine {
			return
		}
		checkFrame(t, &frame)
		if frame.Is(FD) {
			return
		}
		// What was understood can be written and reads back as the same.
		written := appendLine(nil, &frame, names.list[0], 0)
		var again Frame
		if bad := parseCandump(written, &again, &names); bad != fine {
			t.Fatalf("%q was written as %q: %s", line, written, bad)
		}
		frame.Stamp = frame.Stamp / 1000 * 1000
		if again != frame {
			t.Fatalf("%q was written as %q:\n got %+v\nwant %+v", line, written, again, frame)
		}
	})
}

// checkFrame checks what every frame promises.
func checkFrame(t *testing.T, f *Frame) {
	t.Helper()
	why := ""
	switch {
	case f.Stamp < 0:
		why = "negative stamp"
	case f.ID > idBits, f.Flags&(Extended|ErrorFrame) == 0 && f.ID > stdBits:
		why = "id too large"
	case f.Len > 8, f.Code > 15:
		why = "length"
	case f.Flags&(Remote|FD) != 0 && f.Len != 0:
		why = "data where none are kept"
	}
	for _, b := range f.Data[min(f.Len, 8):] {
		if b != 0 {
			why = "bytes behind the data"
		}
	}
	if why != "" {
		t.Fatalf("%s: %s", why, fmt.Sprintf("%+v", *f))
	}
}

// candump -t d writes how long after the frame before each came. Nothing can be made
// of that, as lines are lost and interfaces have differences of their own; so it is said.
func TestTimesThatAreDifferences(t *testing.T) {
	lines := func(n int, time func(i int) string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "(%s)  can0  0CF00400   [8]  FF FF FF 68 13 FF FF FF\n", time(i))
		}
		return b.String()
	}
	differences := lines(1000, func(i int) string { return fmt.Sprintf("000.%06d", 500+i%7*300) })
	fromZero := lines(1000, func(i int) string { return fmt.Sprintf("%03d.%06d", i*600/1000000, i*600%1000000) })
	for _, c := range []struct {
		name, log string
		said      int
	}{
		{"differences", differences, 1},
		{"from zero on a full bus", fromZero, 0},
		{"a few frames", lines(20, func(int) string { return "000.000100" }), 0},
		{"with a date", lines(1000, func(int) string { return "1700000000.000100" }), 0},
	} {
		frames, s := readText(t, c.log)
		said := 0
		for _, b := range s.FirstBad {
			if strings.Contains(b.Reason, "differences") && strings.Contains(b.Reason, "candump -L") {
				said++
			}
		}
		if said != c.said || s.Bad != 0 || len(frames) == 0 {
			t.Errorf("%s: %d frames, %d bad, said %v", c.name, len(frames), s.Bad, s.FirstBad)
		}
	}
}
