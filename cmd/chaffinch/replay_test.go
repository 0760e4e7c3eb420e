package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// recordings are the real logs, with what a technician must find in the
// summary of each. The facts are those of testdata/real/README.md, which were
// counted with other programs.
var recordings = []struct {
	file string
	says []string
	not  []string
}{
	{"tractor-start-and-rev.log", []string{"8079 frames", "from 5 addresses", "1256 rpm", "no alarms"}, nil},
	{"tractor-gears-difflock.log", []string{"14300 frames", "1012 rpm", "no alarms"}, nil},
	{"tractor-keyon-pause.log", []string{"7651 frames", "1011 rpm", "no alarms"}, nil},
	{"tractor-ignition-off.log", []string{"41 frames", "from 1 addresses", "never heard: ground speed, engine speed", "no alarms"}, []string{"idle", "cutting", "travelling"}},
	{"truck-keyon-engine-off.log.gz", []string{"145278 frames", "fault-code 8"}, []string{"idle", "cutting", "travelling"}},
	{"truck-idle-two-channels.log.gz", []string{"57849 frames", "12278 of 11 bits", "can0, can1", "fault-code 4", "idle"}, []string{"cutting", "travelling"}},
	{"truck-busy-bus-values-not-available.log.gz", []string{"35876 frames", "from 19 addresses", "engine speed (not-available)", "engine load (not-available)", "fuel rate (not-available)", "ground speed (not-available)", "fault-code 7"}, []string{"idle", "cutting"}},
	{"boat-n2k-clock-step.log.gz", []string{"49928 frames", "3 segments", "61.", "no alarms"}, nil},
	{"boat-n2k-one-minute.log.gz", []string{"47166 frames", "from 43 addresses", "no alarms"}, []string{"segments:"}},
}

func recording(name string) string { return filepath.Join("../../testdata/real/can", name) }

func TestEveryRecordingReplays(t *testing.T) {
	for _, rec := range recordings {
		t.Run(rec.file, func(t *testing.T) {
			first := chaffinch(nil, "replay", recording(rec.file))
			if first.code != exitDone {
				t.Fatalf("code %d: %s", first.code, first.err)
			}
			for _, want := range rec.says {
				if !strings.Contains(first.err, want) {
					t.Errorf("the summary does not say %q", want)
				}
			}
			for _, wrong := range rec.not {
				if strings.Contains(first.err, wrong) {
					t.Errorf("the summary says %q", wrong)
				}
			}
			if t.Failed() {
				t.Log(first.err)
			}
			for _, line := range strings.Split(strings.TrimSpace(first.out), "\n") {
				if line != "" && !json.Valid([]byte(line)) {
					t.Errorf("no JSON: %s", line)
				}
			}
			for _, line := range strings.Split(first.err, "\n") {
				if len(line) > 80 {
					t.Errorf("%d columns: %s", len(line), line)
				}
			}
			again := chaffinch(nil, "replay", recording(rec.file))
			if again.out != first.out || again.err != first.err {
				t.Error("a second run gave other bytes")
			}
			bytes, err := os.ReadFile(recording(rec.file))
			if err != nil {
				t.Fatal(err)
			}
			piped := chaffinch(bytes, "replay", "-")
			if piped.out != first.out || piped.err != first.err {
				t.Error("standard input gave other bytes than the file")
			}
		})
	}
}

// Bad lines are counted and shown by number, and are never the end.
func TestALogWithBadLines(t *testing.T) {
	text := "(0000000001.000000) can0 0CF00400#207D87481400F087\n(0000000001.100000) can0 0CF00400#XX\n# a comment\n(0000000001.200000) can0 0CF00400#207D87481400F087\n"
	r := chaffinch([]byte(text), "replay", "-")
	for _, want := range []string{"2 frames", "1 lines could not be read, 1 were no frames", "standard input:2"} {
		if r.code != exitDone || !strings.Contains(r.err, want) {
			t.Errorf("code %d, no %q in\n%s", r.code, want, r.err)
		}
	}
	for _, nothing := range []string{"", "\x00\x01\x02", "hello\n"} {
		if r := chaffinch([]byte(nothing), "replay", "-"); r.code != exitFailed || !strings.Contains(r.err, "no frame in") {
			t.Errorf("%q: code %d\n%s", nothing, r.code, r.err)
		}
	}
}

func TestSamplesOfARecording(t *testing.T) {
	table := filepath.Join(t.TempDir(), "table.csv")
	r := chaffinch(nil, "replay", "--quiet", "--samples", table, recording("truck-idle-two-channels.log.gz"))
	if r.code != exitDone || r.err != "" {
		t.Fatalf("%+v", r)
	}
	text, err := os.ReadFile(table)
	if err != nil {
		t.Fatal(err)
	}
	rows := bytes.Split(bytes.TrimSuffix(text, []byte("\r\n")), []byte("\r\n"))
	if len(rows) != 1+128 { // 127.2 s, and the second in which it begins
		t.Errorf("%d rows", len(rows))
	}
	columns := bytes.Count(rows[0], []byte(","))
	for i, row := range rows {
		if bytes.Count(row, []byte(",")) != columns {
			t.Fatalf("row %d has another number of columns: %s", i, row)
		}
	}
	if !bytes.Contains(rows[60], []byte("idle")) || !bytes.HasPrefix(rows[60], []byte("2021-10-25T19:01:54.020Z,idle,0,65")) {
		t.Errorf("row 60: %s", rows[60])
	}
}

// What replay records, candump's own tools read, and it replays to the same
// events.
func TestRecordOfARecording(t *testing.T) {
	for _, name := range []string{"tractor-gears-difflock.log", "truck-idle-two-channels.log.gz"} {
		copied := filepath.Join(t.TempDir(), "copy.log")
		first := chaffinch(nil, "replay", "--quiet", "--record", copied, recording(name))
		again := chaffinch(nil, "replay", "--quiet", copied)
		if first.code != exitDone || again.code != exitDone || first.out != again.out {
			t.Errorf("%s: the record gives other events", name)
		}
	}
	// This one was written by candump itself.
	file, err := os.Open(recording("truck-busy-bus-values-not-available.log.gz"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	unpacked, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := io.ReadAll(unpacked)
	if err != nil {
		t.Fatal(err)
	}
	r := chaffinch(plain, "replay", "--quiet", "--events", os.DevNull, "--record", "-", "-")
	if r.out != string(plain) {
		t.Error("a candump log was not recorded byte for byte")
	}
}
