package canbus

import (
	"bytes"
	"os"
	"testing"
)

// This log is candump's own (testdata/real/README.md: conversion none). What
// we read and write again is the same byte for byte.
func TestWriterRepeatsCandump(t *testing.T) {
	path := plainCopy(t, "truck-busy-bus-values-not-available.log.gz")
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	got := rewrite(t, want)
	if !bytes.Equal(got, want) {
		a, b := bytes.Split(got, []byte("\n")), bytes.Split(want, []byte("\n"))
		for i := range min(len(a), len(b)) {
			if !bytes.Equal(a[i], b[i]) {
				t.Fatalf("line %d\n got %q\nwant %q", i+1, a[i], b[i])
			}
		}
		t.Fatalf("%d bytes, want %d", len(got), len(want))
	}
}

func rewrite(t *testing.T, log []byte) []byte {
	t.Helper()
	l := NewLogReader("log", bytes.NewReader(log))
	frames := readAll(t, l)
	var out bytes.Buffer
	w := NewLogWriter(&out, l.Interfaces())
	for len(frames) > 0 {
		n := min(len(frames), 1000)
		if err := w.Write(frames[:n]); err != nil {
			t.Fatal(err)
		}
		frames = frames[n:]
	}
	return out.Bytes()
}

// The forms that candump writes for other frames (can-utils lib.c).
func TestWriterForms(t *testing.T) {
	log := `(1700000000.123456) vcan10 20000004#0001000000000000
(1700000000.223456)   can0 18FEF100#R
(1700000000.223456)   can0 18FEF100#R8
(1700000000.223456)   can0 123#R8_C
(1700000000.223456)   can0 00000123#
(1700000000.223456)   can0 7FF#1122334455667788_F
(0000000000.000001)   can0 001#00
(0123456789.000000)   can0 1FFFFFFF#FFFFFFFFFFFFFFFF
`
	if got := rewrite(t, []byte(log)); string(got) != log {
		t.Errorf("got\n%swant\n%s", got, log)
	}
}

func TestWriterLeavesOutFD(t *testing.T) {
	var out bytes.Buffer
	w := NewLogWriter(&out, []string{"can0"})
	if err := w.Write([]Frame{{Flags: FD | Extended}, {ID: 1}}); err != nil {
		t.Fatal(err)
	}
	if w.LeftOut() != 1 || out.String() != "(0000000000.000000) can0 001#\n" {
		t.Errorf("%d left out, wrote %q", w.LeftOut(), out.String())
	}
}

func TestWriterRefuses(t *testing.T) {
	w := NewLogWriter(&bytes.Buffer{}, []string{"can0"})
	for _, f := range []Frame{{Interface: 1}, {Stamp: -1}} {
		if w.Write([]Frame{f}) == nil {
			t.Errorf("%+v was written", f)
		}
	}
}
