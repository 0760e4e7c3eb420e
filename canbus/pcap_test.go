package canbus

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

// capture writes frames as a pcap file of SocketCAN packets, byte by byte from
// the published layouts (pcap-savefile(5), LINKTYPE_CAN_SOCKETCAN).
func capture(frames []Frame, link uint32) []byte {
	b := binary.LittleEndian.AppendUint32(nil, 0xA1B2C3D4)
	b = binary.LittleEndian.AppendUint16(b, 2)
	b = binary.LittleEndian.AppendUint16(b, 4)
	for _, v := range []uint32{0, 0, 262144, link} {
		b = binary.LittleEndian.AppendUint32(b, v)
	}
	for i := range frames {
		f := &frames[i]
		packet := socketCANPacket(f)
		size := uint32(len(packet))
		for _, v := range []uint32{uint32(f.Stamp / 1e9), uint32(f.Stamp % 1e9 / 1e3), size, size} {
			b = binary.LittleEndian.AppendUint32(b, v)
		}
		b = append(b, packet...)
	}
	return b
}

func socketCANPacket(f *Frame) []byte {
	id, length := f.ID, f.Len
	switch {
	case f.Is(ErrorFrame):
		id |= 0x20000000
	case f.Is(Extended):
		id |= 0x80000000
	}
	if f.Is(Remote) {
		id |= 0x40000000
		length = f.Code
	}
	b := binary.BigEndian.AppendUint32(nil, id)
	b = append(b, length, 0, 0, f.Code&8*f.Code/8)
	return append(b, f.Data[:f.Len]...)
}

var captured = []Frame{
	{Stamp: 1700000000_123456000, ID: 0x0CF00400, Flags: Extended, Len: 8, Data: [8]byte{0x20, 0x7D, 0x87, 0x48, 0x14, 0, 0xF0, 0x87}},
	{Stamp: 1700000000_223456000, ID: 0x123, Len: 2, Data: [8]byte{0x11, 0x22}},
	{Stamp: 1700000000_323456000, ID: 0x18EAFF25, Flags: Extended, Len: 3, Data: [8]byte{0xE6, 0xFE}},
	{Stamp: 1700000000_423456000, ID: 0x18FEF100, Flags: Extended | Remote, Code: 7},
	{Stamp: 1700000000_523456000, ID: ErrController, Flags: ErrorFrame, Len: 8, Data: [8]byte{0, 1}},
	{Stamp: 1700000000_623456000, ID: 0x1FFFFFFF, Flags: Extended},
}

func checkCapture(t *testing.T, name string, file []byte) {
	t.Helper()
	l := NewLogReader(name, bytes.NewReader(file))
	got := readAll(t, l)
	if len(got) != len(captured) {
		t.Fatalf("%s: %d frames, want %d; %+v", name, len(got), len(captured), l.Stats())
	}
	for i := range got {
		if got[i] != captured[i] {
			t.Errorf("%s: frame %d\n got %+v\nwant %+v", name, i+1, got[i], captured[i])
		}
	}
}

func TestPcap(t *testing.T) {
	checkCapture(t, "pcap", capture(captured, 227))
}

// Wireshark reads the same file alike, so it is of the form that others write,
// and its editcap turns it into forms that we did not write.
func TestPcapAgainstWireshark(t *testing.T) {
	tshark, editcap := outside.Tool(t, "tshark"), outside.Tool(t, "editcap")
	dir := t.TempDir()
	path := filepath.Join(dir, "x.pcap")
	if err := os.WriteFile(path, capture(captured, 227), 0o644); err != nil {
		t.Fatal(err)
	}
	out := run(t, exec.Command(tshark, "-r", path, "-T", "fields", "-e", "can.id", "-e", "can.len",
		"-e", "can.flags.xtd", "-e", "can.flags.rtr", "-e", "can.flags.err"))
	want := "217056256\t8\t1\t0\t0\n291\t2\t0\t0\t0\n418053925\t3\t1\t0\t0\n419361024\t7\t1\t1\t0\n\t8\t\t\t1\n536870911\t0\t1\t0\t0\n"
	if got := strings.NewReplacer("True", "1", "False", "0").Replace(string(out)); got != want {
		t.Errorf("tshark reads\n%swant\n%s", got, want)
	}
	for _, form := range []string{"pcapng", "nsecpcap", "pcap"} {
		other := filepath.Join(dir, "x."+form)
		run(t, exec.Command(editcap, "-F", form, path, other))
		file, err := os.ReadFile(other)
		if err != nil {
			t.Fatal(err)
		}
		checkCapture(t, form, file)
	}
}

func TestPcapOfAnotherLinkIsSkipped(t *testing.T) {
	l := NewLogReader("ethernet", bytes.NewReader(capture(captured, 1)))
	frames := readAll(t, l)
	if s := l.Stats(); len(frames) != 0 || s.Skipped != len(captured) || s.Bad != 0 {
		t.Errorf("%+v", s)
	}
}

func TestPcapCutOff(t *testing.T) {
	whole := capture(captured, 227)
	for n := range whole {
		l := NewLogReader("cut", bytes.NewReader(whole[:n]))
		frames := readAll(t, l)
		if n < len(whole)-24 && len(frames) == len(captured) {
			t.Fatalf("%d of %d bytes gave all frames", n, len(whole))
		}
	}
	l := NewLogReader("cut", bytes.NewReader(whole[:len(whole)-3]))
	readAll(t, l)
	if s := l.Stats(); s.Damaged != 1 {
		t.Errorf("a cut file is not reported: %+v", s)
	}
}

func TestParseSocketCANRefuses(t *testing.T) {
	for _, b := range [][]byte{nil, make([]byte, 7), {0x80, 0, 0, 1, 8, 0, 0, 0, 1}, {0, 0, 0, 1, 65, 4, 0, 0}} {
		var f Frame
		if bad := parseSocketCAN(b, &f); bad == fine {
			t.Errorf("% X was taken for %+v", b, f)
		}
	}
}

func FuzzReadLog(f *testing.F) {
	f.Add(capture(captured, 227))
	f.Add([]byte("date Tue Nov 14 22:13:20 2023\nbase hex  timestamps absolute\n   0.000000 1  CF00400x        Rx   d 8 20 7D 87 48 14 00 F0 87\n"))
	f.Add([]byte("base dec  timestamps relative\n 0.5 2 291 Rx r 3\n 0.5 1  ErrorFrame\n 1.0 CANFD   1 Rx   18FEF100x  1 0 8  8 FF 00 0A FF FF FF FF FF   130000  130     3000 0 0 0 0 0\n"))
	f.Add([]byte("(1700000000.123456) can0 0CF00400#207D87481400F087\n\n(1700000000.223456) can1 123#R\n"))
	f.Add([]byte{0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0, 0xFF, 0xFF})
	f.Add([]byte{0x28, 0xB5, 0x2F, 0xFD, 4, 0, 0x59, 0, 0, 'x'})
	f.Fuzz(func(t *testing.T, file []byte) {
		l := NewLogReader("fuzz", bytes.NewReader(file))
		frames := readAll(t, l)
		for i := range frames {
			checkFrame(t, &frames[i])
		}
		s := l.Stats()
		if s.Frames != len(frames) || s.Frames+s.Skipped+s.Bad != s.Lines {
			t.Fatalf("%d frames; %+v", len(frames), s)
		}
	})
}
