package canbus

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"
)

// whole reads a log to its end.
func whole(t *testing.T, l *LogReader, batch int) (frames []Frame, stats Stats, names []string) {
	t.Helper()
	buffer := make([]Frame, batch)
	for {
		n, err := l.Read(buffer)
		frames = append(frames, buffer[:n]...)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if n, err := l.Read(buffer); n != 0 || !errors.Is(err, io.EOF) {
		t.Errorf("after the end came %d frames, %v", n, err)
	}
	stats, names = l.Stats(), l.Interfaces()
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	return frames, stats, names
}

// Every real recording, and all of them after one another with a broken one among
// them, comes out the same.
func TestReadingAheadChangesNothing(t *testing.T) {
	real, err := filepath.Glob(filepath.Join("..", "testdata", "real", "can", "*.log.gz"))
	if err != nil || len(real) < 3 {
		t.Fatalf("%d recordings, %v", len(real), err)
	}
	broken := filepath.Join(t.TempDir(), "broken.log")
	if err := os.WriteFile(broken, []byte("(1.5) can7 18FEF100#00\nnonsense\n(2.5) can8 123#0102\n(x) can8 123#01\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	lists := [][]string{append(slices.Clone(real[:2]), broken, real[2])}
	for _, path := range real {
		lists = append(lists, []string{path})
	}
	for _, list := range lists {
		for _, batch := range []int{1 << 16, 512, 7} {
			plain, err := OpenLogs(list...)
			if err != nil {
				t.Fatal(err)
			}
			ahead, err := OpenLogs(list...)
			if err != nil {
				t.Fatal(err)
			}
			ahead.ReadAhead()
			frames, stats, names := whole(t, plain, batch)
			gotFrames, gotStats, gotNames := whole(t, ahead, batch)
			if !slices.Equal(gotFrames, frames) || !reflect.DeepEqual(gotStats, stats) || !slices.Equal(gotNames, names) {
				t.Errorf("%v: %d frames, %+v, %v; read as it comes: %d frames, %+v, %v", list, len(gotFrames), gotStats, gotNames, len(frames), stats, names)
			}
		}
	}
}

// What is given up is not read to its end, and a pipe that says nothing more holds
// nobody up.
func TestReadingAheadCanBeGivenUp(t *testing.T) {
	long := bytes.Repeat([]byte("(1.500000) can0 18FEF100#0000000000000000\n"), 100_000)
	path := filepath.Join(t.TempDir(), "long.log")
	if err := os.WriteFile(path, long, 0o600); err != nil {
		t.Fatal(err)
	}
	file, err := OpenLogs(path)
	if err != nil {
		t.Fatal(err)
	}
	pipe, mouth := io.Pipe()
	go mouth.Write(long[:4200]) // and then nothing
	for _, l := range []*LogReader{file, NewLogReader("pipe", pipe)} {
		l.ReadAhead()
		l.ReadAhead() // once is enough
		one := make([]Frame, 1)
		if n, err := l.Read(one); n != 1 || err != nil {
			t.Fatalf("%d frames, %v", n, err)
		}
		done := make(chan error, 1)
		go func() { done <- l.Close() }()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(5 * time.Second):
			t.Fatal("it is not given up")
		}
		if n, err := l.Read(one); n != 0 || !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close came %d frames, %v", n, err)
		}
	}
	mouth.Close()
}
