package canbus

import (
	"strings"
	"testing"
)

func TestASC(t *testing.T) {
	const day = 1700000000_000000000 // Tue Nov 14 22:13:20 2023 UTC
	tests := []struct {
		name, head, line string
		want             Frame
	}{
		{"29-bit", "base hex timestamps absolute", "0.000100 1  CF00400x        Rx   d 2 20 7D",
			Frame{Stamp: day + 100e3, ID: 0xCF00400, Flags: Extended, Len: 2, Data: [8]byte{0x20, 0x7D}}},
		{"with a tail", "base hex timestamps absolute", "1.5000 1  123        Tx   d 1 20  Length = 244000 BitCount = 126 ID = 291",
			Frame{Stamp: day + 1500e6, ID: 0x123, Len: 1, Data: [8]byte{0x20}}},
		{"decimal", "base dec timestamps absolute", "0.0 1  291        Rx   d 3 20 125 255",
			Frame{Stamp: day, ID: 0x123, Len: 3, Data: [8]byte{20, 125, 255}}},
		{"decimal 29-bit", "base dec timestamps absolute", "0.0 1  217056256x       Rx   d 0",
			Frame{Stamp: day, ID: 0xCF00400, Flags: Extended}},
		{"remote without length", "base hex timestamps absolute", "0.0 1  123        Rx   r",
			Frame{Stamp: day, ID: 0x123, Flags: Remote}},
		{"remote", "base hex timestamps absolute", "0.0 1  123        Rx   r 8",
			Frame{Stamp: day, ID: 0x123, Flags: Remote, Code: 8}},
		{"error", "base hex timestamps absolute", "0.0 1  ErrorFrame",
			Frame{Stamp: day, ID: ErrBus, Flags: ErrorFrame, Len: 8}},
		{"FD with a name", "base hex timestamps absolute", "0.0 CANFD   1 Rx        123  Some_Name                         1 0 2  2 FF 00   130000  130     3000 0 0 0 0 0",
			Frame{Stamp: day, ID: 0x123, Flags: FD}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			frames, s := readText(t, "date Tue Nov 14 10:13:20 pm 2023\n"+test.head+"\ninternal events logged\n"+
				"// version 8.0.0\nBegin Triggerblock\n0.0 Start of measurement\n0.0 1  Statistic: D 0 R 0\n"+test.line+"\nEnd TriggerBlock\n")
			if len(frames) != 1 || s.Bad != 0 {
				t.Fatalf("%d frames, %v", len(frames), s.FirstBad)
			}
			if frames[0] != test.want {
				t.Errorf("\n got %+v\nwant %+v", frames[0], test.want)
			}
		})
	}
}

func TestASCRelativeTimes(t *testing.T) {
	frames, _ := readText(t, "date Tue Nov 14 22:13:20 2023\nbase hex timestamps relative\n"+strings.Repeat("0.25 1 123 Rx d 0\n", 4))
	if len(frames) != 4 || frames[3].Stamp != 1700000001_000000000 {
		t.Errorf("%+v", frames)
	}
}

// Two logs put one behind the other by cat: the second one's times count from its
// own date.
func TestASCRelativeTimesBeginAnewWithADate(t *testing.T) {
	one := "date Tue Nov 14 22:13:20 2023\nbase hex timestamps relative\n" + strings.Repeat("0.25 1 123 Rx d 0\n", 4)
	frames, _ := readText(t, one+one)
	if len(frames) != 8 || frames[7].Stamp != 1700000001_000000000 {
		t.Errorf("%+v", frames)
	}
}

// However large the steps are, no time wraps to one before 1970.
func TestASCRelativeTimesEnd(t *testing.T) {
	frames, s := readText(t, "base hex timestamps relative\n"+strings.Repeat("9223372035.0 1 123 Rx d 0\n", 3))
	for _, f := range frames {
		if f.Stamp < 0 {
			t.Errorf("stamp %d", f.Stamp)
		}
	}
	if len(frames) != 1 || s.Bad != 2 {
		t.Errorf("%d frames, %v", len(frames), s.FirstBad)
	}
}

func TestASCDates(t *testing.T) {
	const want = 1700000000
	for _, date := range []string{
		"Tue Nov 14 22:13:20 2023", "Tue Nov 14 10:13:20 pm 2023", "Die Nov 14 22:13:20 2023", "Tue Nov 14 22:13:20.000 2023",
		"Tue Nov 14 10:13:20 PM 2023", "Tue Nov 14 10:13:20.000000 PM 2023", // as python-can writes it
	} {
		if got, ok := parseASCDate([]byte(date)); !ok || got != want*1e9 {
			t.Errorf("%s: %d %v", date, got, ok)
		}
	}
	if got, _ := parseASCDate([]byte("Mit Mär 1 12:00:00.250 am 2023")); got != 1677628800_250000000 {
		t.Errorf("March: %d", got)
	}
	for _, date := range []string{"", "Tue", "Tue Nov 14", "Tue Nov 14 22:13:20", "Tue Foo 14 22:13:20 2023", "Tue Nov 99 22:13:20 2023",
		"Tue Nov 14 25:13:20 2023", "Tue Nov 14 22:13:20 1969", "Tue Nov 14 221320 2023"} {
		if _, ok := parseASCDate([]byte(date)); ok {
			t.Errorf("%q was read", date)
		}
	}
}

func TestASCBadLines(t *testing.T) {
	_, s := readText(t, `date unreadable
base hex timestamps absolute
0.0 1 800 Rx d 0
0.0 1 123 Rx d 2 11
0.0 1 123 Rx d x 11
0.0 1 FFFFFFFFx Rx d 0
0.0 1 123 TxRq d 0
`)
	want := []fault{faultDate, faultIDRange, faultData, faultLength, faultIDRange}
	if s.Bad != len(want) || s.Skipped != 2 || len(s.FirstBad) != len(want) {
		t.Fatalf("%+v", s)
	}
	for i := range want {
		if s.FirstBad[i].Reason != want[i].String() {
			t.Errorf("line %d: %s, want %s", s.FirstBad[i].Line, s.FirstBad[i].Reason, want[i])
		}
	}
}
