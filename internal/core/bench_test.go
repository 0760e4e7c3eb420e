package core

import (
	"bytes"
	"errors"
	"io"
	"path/filepath"
	"runtime"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
)

// quietDay is an hour of make-believe harvest in which nothing goes wrong, as
// frames and as the text of a log.
func quietDay(t testing.TB, hours float64) (virtual.Scenario, []canbus.Frame, []byte) {
	t.Helper()
	s := virtual.Demo()
	s.Start, s.Hours, s.Events = "2026-07-01T10:00:00Z", hours, nil
	combine := virtual.New(s, 1)
	var frames []canbus.Frame
	for f := range combine.Frames() {
		frames = append(frames, *f)
	}
	var text bytes.Buffer
	if err := canbus.NewLogWriter(&text, []string{"can0"}).Write(frames); err != nil {
		t.Fatal(err)
	}
	return s, frames, text.Bytes()
}

// Promise: a frame from the text of a log to the alarms allocates nothing. The
// count is of the whole process over many frames, once everything is warm; what
// is not per frame (a first event, the growth of a table) is a handful.
func TestAFrameFromTextToAlarmAllocatesNothing(t *testing.T) {
	s, _, text := quietDay(t, 0.2)
	c, err := New(pretend(t, s), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	log := canbus.NewLogReader("day", bytes.NewReader(text))
	batch := make([]canbus.Frame, 512)
	frames, warm := 0, 100_000
	var before, after runtime.MemStats
	for {
		n, err := log.Read(batch)
		for i := range batch[:n] {
			c.Frame(&batch[i])
		}
		frames += n
		if before.Mallocs == 0 && frames >= warm {
			warm = frames
			runtime.ReadMemStats(&before)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	runtime.ReadMemStats(&after)
	measured := frames - warm
	if measured < 100_000 {
		t.Fatalf("only %d frames measured", measured)
	}
	allocs := after.Mallocs - before.Mallocs
	t.Logf("%d allocations in %d frames", allocs, measured)
	if allocs > uint64(measured)/2000 {
		t.Errorf("%d allocations in %d frames: something allocates on the way of a frame or a step", allocs, measured)
	}
}

// BenchmarkFrames is the path from a frame in memory through the alarms.
func BenchmarkFrames(b *testing.B) {
	s, frames, _ := quietDay(b, 1)
	b.ReportAllocs()
	b.ResetTimer()
	for n := 0; n < b.N; {
		c, err := New(pretend(b, s), Outputs{})
		if err != nil {
			b.Fatal(err)
		}
		for i := range frames {
			if n == b.N {
				break
			}
			f := frames[i]
			c.Frame(&f)
			n++
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

// BenchmarkText is the path from the text of a log through the alarms.
func BenchmarkText(b *testing.B) {
	s, _, text := quietDay(b, 1)
	benchmarkText(b, s, text)
}

// BenchmarkRecording is the same on a real recording of a busy bus.
func BenchmarkRecording(b *testing.B) {
	log, err := canbus.OpenLogs(filepath.Join("..", "..", "testdata", "real", "can", "truck-keyon-engine-off.log.gz"))
	if err != nil {
		b.Fatal(err)
	}
	defer log.Close()
	var frames []canbus.Frame
	batch := make([]canbus.Frame, 4096)
	for {
		n, err := log.Read(batch)
		frames = append(frames, batch[:n]...)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			b.Fatal(err)
		}
	}
	var text bytes.Buffer
	if err := canbus.NewLogWriter(&text, log.Interfaces()).Write(frames); err != nil {
		b.Fatal(err)
	}
	benchmarkText(b, virtual.Demo(), text.Bytes())
}

func benchmarkText(b *testing.B, s virtual.Scenario, text []byte) {
	b.ReportAllocs()
	batch := make([]canbus.Frame, 512)
	b.ResetTimer()
	for n := 0; n < b.N; {
		c, err := New(pretend(b, s), Outputs{})
		if err != nil {
			b.Fatal(err)
		}
		log := canbus.NewLogReader("day", bytes.NewReader(text))
		for n < b.N {
			k, err := log.Read(batch)
			for i := range batch[:k] {
				c.Frame(&batch[i])
			}
			n += k
			if err != nil {
				break
			}
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
