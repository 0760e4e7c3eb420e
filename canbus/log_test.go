package canbus

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"
)

const realLogs = "../testdata/real/can/"

// readAll reads a log to its end with batches of an odd size.
func readAll(t testing.TB, l *LogReader) []Frame {
	t.Helper()
	var all []Frame
	batch := make([]Frame, 97)
	for {
		n, err := l.Read(batch)
		if n > 0 && err != nil {
			t.Fatalf("Read gave %d frames and %v", n, err)
		}
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, batch[:n]...)
	}
}

func readText(t testing.TB, text string) ([]Frame, Stats) {
	t.Helper()
	l := NewLogReader("text", strings.NewReader(text))
	frames := readAll(t, l)
	return frames, l.Stats()
}

func TestReadCountsWhatItMeets(t *testing.T) {
	frames, s := readText(t, `
# a comment
DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)
(1700000000.123456) can0 0CF00400#207D87481400F087
(1700000000.223456) can0 20000004#0001000000000000
(1700000000.723456) can1 18FEF100#R8
(1700000000.823456) can0 18FEF100##1FF000AFFFFFFFFFF
(1700000000.923456) can0 123#1122
(1700000000.923456) can0 123#112
  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87
 (1700000000.923456)  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87
(1700000001.0) can0 123#11`)
	want := Stats{Files: 1, Bytes: s.Bytes, Lines: 12, Frames: 7, Extended: 4, Standard: 2, Remote: 1, FD: 1,
		ErrorFrames: 1, Skipped: 3, Bad: 2, FirstBad: []BadLine{
			{"text", 9, faultData.String(), "(1700000000.923456) can0 123#112", false},
			{"text", 10, faultNoTime.String(), "  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87", false},
		}}
	if !slices.Equal(s.FirstBad, want.FirstBad) {
		t.Errorf("bad lines %v", s.FirstBad)
	}
	s.FirstBad, want.FirstBad = nil, nil
	if got, want := sprint(s), sprint(want); got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
	if len(frames) != 7 || frames[2].Interface != 1 {
		t.Errorf("frames %+v", frames)
	}
}

func TestReadKeepsTheFirstBadLinesOnly(t *testing.T) {
	_, s := readText(t, strings.Repeat("(1.0) can0 123#1\n", 1000))
	if s.Bad != 1000 || len(s.FirstBad) != keptBad || s.FirstBad[19].Line != 20 {
		t.Errorf("%d bad lines, %d kept", s.Bad, len(s.FirstBad))
	}
}

func TestReadSurvivesLongLines(t *testing.T) {
	good := "(1.0) can0 123#11\n"
	long := "(1.0) can0 123#" + strings.Repeat("11", 1<<20) + "\n"
	frames, s := readText(t, good+long+good+long+good+strings.TrimSpace(long))
	if len(frames) != 3 || s.Bad != 3 || s.Lines != 6 {
		t.Errorf("%d frames, %d bad, %d lines", len(frames), s.Bad, s.Lines)
	}
	if s.FirstBad[1].Line != 4 || s.FirstBad[1].Reason != faultTooLong.String() || len(s.FirstBad[1].Text) > 60 {
		t.Errorf("%v", s.FirstBad[1])
	}
	l := NewLogReader("text", strings.NewReader(strings.Repeat("x", 20<<20)))
	if n := testing.AllocsPerRun(1, func() { readAll(t, l) }); n > 100 {
		t.Errorf("%v allocations", n)
	}
}

func TestReadCompressed(t *testing.T) {
	plain, err := os.ReadFile(realLogs + "tractor-ignition-off.log")
	if err != nil {
		t.Fatal(err)
	}
	var z, zs bytes.Buffer
	g := gzip.NewWriter(&z)
	g.Write(plain)
	g.Close()
	e, _ := zstd.NewWriter(&zs)
	e.Write(plain)
	e.Close()
	dir := t.TempDir()
	// The names lie on purpose: content decides.
	for name, content := range map[string][]byte{"a.log": z.Bytes(), "b.gz": zs.Bytes(), "c.zst": plain} {
		if err := os.WriteFile(filepath.Join(dir, name), content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	l, err := OpenLogs(filepath.Join(dir, "a.log"), filepath.Join(dir, "b.gz"), filepath.Join(dir, "c.zst"))
	if err != nil {
		t.Fatal(err)
	}
	frames := readAll(t, l)
	if len(frames) != 3*41 {
		t.Fatalf("%d frames, want 3 x 41", len(frames))
	}
	if !slices.Equal(frames[:41], frames[41:82]) || !slices.Equal(frames[:41], frames[82:]) {
		t.Error("the three files give different frames")
	}
	if s := l.Stats(); s.Files != 3 || s.Bytes != int64(len(plain)+z.Len()+zs.Len()) {
		t.Errorf("%d files, %d bytes", s.Files, s.Bytes)
	}
}

func TestReadGoesOnBehindADamagedFile(t *testing.T) {
	whole, err := os.ReadFile(realLogs + "truck-busy-bus-values-not-available.log.gz")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cut := filepath.Join(dir, "cut.log.gz")
	if err := os.WriteFile(cut, whole[:len(whole)/2], 0o644); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(dir, "empty")
	if err := os.WriteFile(empty, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	l, err := OpenLogs(empty, cut, realLogs+"tractor-ignition-off.log")
	if err != nil {
		t.Fatal(err)
	}
	n := len(readAll(t, l))
	s := l.Stats()
	if n < 10000 || n > 30000 || s.Damaged != 1 || s.Files != 3 {
		t.Errorf("%d frames, %d damaged, %d files", n, s.Damaged, s.Files)
	}
	last := s.FirstBad[len(s.FirstBad)-1]
	if last.File != cut || !strings.Contains(last.Reason, "unexpected EOF") {
		t.Errorf("%v", last)
	}
}

func TestReadReportsABrokenDisk(t *testing.T) {
	broken := errors.New("input/output error")
	r := io.MultiReader(strings.NewReader("(1.0) can0 123#11\n"), iotestError{broken})
	l := NewLogReader("disk.log", r)
	batch := make([]Frame, 8)
	if n, err := l.Read(batch); n != 1 || err != nil {
		t.Fatalf("%d %v", n, err)
	}
	if _, err := l.Read(batch); !errors.Is(err, broken) || !strings.Contains(err.Error(), "disk.log") {
		t.Fatalf("%v", err)
	}
	if _, err := l.Read(batch); err != io.EOF {
		t.Fatalf("%v", err)
	}
}

type iotestError struct{ err error }

func (e iotestError) Read([]byte) (int, error) { return 0, e.err }

// A pipe that has one line to give must not keep it until more comes.
func TestReadDoesNotWaitToFillABatch(t *testing.T) {
	r, w := io.Pipe()
	l := NewLogReader("pipe", r)
	for i := range 3 {
		go io.WriteString(w, "(1.0) can0 123#11\n")
		batch := make([]Frame, 100)
		if n, err := l.Read(batch); n != 1 || err != nil {
			t.Fatalf("line %d: %d frames, %v", i, n, err)
		}
	}
}

func TestOpenLogsFailsAtOnce(t *testing.T) {
	for _, path := range []string{"no such file", t.TempDir()} {
		if _, err := OpenLogs(realLogs+"tractor-ignition-off.log", path); err == nil {
			t.Errorf("%s: no error", path)
		}
	}
}

func TestTooManyInterfaceNames(t *testing.T) {
	var b strings.Builder
	for i := range 300 {
		b.WriteString("(1.0) bus" + string(appendInt(nil, i)) + " 123#11\n")
	}
	frames, s := readText(t, b.String())
	if len(frames) != mostNames || s.Bad != 300-mostNames || frames[249].Interface != 249 {
		t.Errorf("%d frames, %d bad", len(frames), s.Bad)
	}
}

func BenchmarkReadLog(b *testing.B) {
	text, err := os.ReadFile(realLogs + "tractor-gears-difflock.log")
	if err != nil {
		b.Fatal(err)
	}
	text = bytes.Repeat(text, 20)
	lines := bytes.Count(text, []byte("\n"))
	dst := make([]Frame, 1024)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		l := NewLogReader("memory", bytes.NewReader(text))
		n := 0
		for {
			k, err := l.Read(dst)
			n += k
			if err == io.EOF {
				break
			}
		}
		if n != lines {
			b.Fatal(n, lines)
		}
	}
	b.ReportMetric(float64(lines)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mlines/s")
}

// Some editors put a mark of the encoding before a text.
func TestReadBehindAByteOrderMark(t *testing.T) {
	const mark = "\uFEFF"
	for _, log := range []string{
		"(1700000000.000000) can0 123#11\n(1700000000.100000) can0 123#11\n",
		"date Tue Nov 14 22:13:20 2023\nbase hex timestamps absolute\n0.0 1 123 Rx d 1 11\n0.1 1 123 Rx d 1 11\n",
	} {
		want, _ := readText(t, log)
		got, s := readText(t, mark+log)
		if len(want) != 2 || !slices.Equal(got, want) || s.Bad > 0 {
			t.Errorf("%+v, want %+v; %v", got, want, s.FirstBad)
		}
	}
	if frames, s := readText(t, mark); len(frames) > 0 || s.Damaged > 0 {
		t.Errorf("nothing behind it: %+v, %v", frames, s.FirstBad)
	}
}
