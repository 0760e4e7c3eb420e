package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/internal/config"
	"chaffinch/internal/survey"
)

func TestSurveyOfEveryRecording(t *testing.T) {
	for _, rec := range recordings {
		r := chaffinch(nil, "survey", recording(rec.file))
		if r.code != exitDone || !strings.Contains(r.out, "chaffinch could watch for") || !strings.Contains(r.out, "A CONFIGURATION TO BEGIN WITH") {
			t.Errorf("%s: code %d\n%s%s", rec.file, r.code, r.out, r.err)
		}
		if r := chaffinch(nil, "survey", "--json", recording(rec.file)); r.code != exitDone || !json.Valid([]byte(r.out)) || strings.Contains(r.out, "null") {
			t.Errorf("%s: no JSON, or a list that is none: %s", rec.file, r.err)
		}
	}
}

func TestSurveyWritesAConfigurationOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	log := recording("tractor-start-and-rev.log")
	if r := chaffinch(nil, "survey", "--write-config", path, log); r.code != exitDone {
		t.Fatal(r.err)
	}
	if r := chaffinch(nil, "check-config", path); r.code != exitDone {
		t.Errorf("it does not load:\n%s", r.out)
	}
	if r := chaffinch(nil, "survey", "--write-config", path, log); r.code != exitFailed || !strings.Contains(r.err, "there already") {
		t.Errorf("an owner's file was overwritten: code %d, %q", r.code, r.err)
	}
}

func TestSurveyTellsWhatIsWrong(t *testing.T) {
	log := recording("tractor-ignition-off.log")
	for _, c := range []struct {
		name, want string
		code       int
		args       []string
	}{
		{"no time to listen", "--for must be longer", exitUsage, []string{"--interface", "can0", "--for", "0s"}},
		{"a log and an interface", "give logs, or", exitUsage, []string{"--interface", "can0", log}},
		{"a bit rate that no bus has", "--bitrate", exitUsage, []string{"--bitrate", "250", log}},
		{"a log that is not there", "nowhere.log", exitFailed, []string{"nowhere.log"}},
		{"a log without a frame", "no frame", exitFailed, []string{"-"}},
	} {
		if r := chaffinch([]byte("hello\n"), append([]string{"survey"}, c.args...)...); r.code != c.code || !strings.Contains(r.err, c.want) {
			t.Errorf("%s: code %d, said %q", c.name, r.code, r.err)
		}
	}
	// Where the kernel knows no CAN at all, that is what it says.
	r := chaffinch(nil, "survey", "--interface", "nosuchcan0", "--for", "10s")
	if r.code != exitFailed || !strings.Contains(r.err, "; ") || !strings.Contains(r.err, "nosuchcan0") && !strings.Contains(r.err, "CAN") {
		t.Errorf("absent interface: code %d, said %q", r.code, r.err)
	}
}

func TestSurveyBitrate(t *testing.T) {
	var slow, fast struct {
		Interfaces []survey.Interface `json:"interfaces"`
	}
	log := recording("truck-busy-bus-values-not-available.log.gz")
	for rate, into := range map[string]any{"250000": &slow, "500000": &fast} {
		r := chaffinch(nil, "survey", "--json", "--bitrate", rate, log)
		if err := json.Unmarshal([]byte(r.out), into); err != nil {
			t.Fatal(err, r.err)
		}
	}
	if a, b := slow.Interfaces[0].LoadPct, fast.Interfaces[0].LoadPct; a < 1.99*b || a > 2.01*b {
		t.Errorf("load %g %% and %g %%", a, b)
	}
}

// Listening ends when its time is over, or when somebody interrupts it, and
// what was heard until then is told. The frames are those of a log; only the
// socket is missing.
func TestSurveyListens(t *testing.T) {
	for _, interrupted := range []bool{false, true} {
		log, err := canbus.OpenLogs(recording("tractor-start-and-rev.log"))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		read := func(frames []canbus.Frame) (int, error) {
			n, err := log.Read(frames)
			if errors.Is(err, io.EOF) {
				if interrupted {
					cancel()
				}
				time.Sleep(time.Millisecond)
				return n, nil
			}
			return n, err
		}
		sur, err := survey.New(config.Default())
		if err != nil {
			t.Fatal(err)
		}
		long := 300 * time.Millisecond
		if interrupted {
			long = time.Hour
		}
		if err := hear(ctx, read, nil, long, sur); err != nil {
			t.Fatal(err)
		}
		cancel()
		r := sur.Report([]string{"can0"}, canbus.Stats{})
		if r.Frames != 8079 || r.ListenedS <= 0 || r.ListenedS > 60 {
			t.Errorf("%d frames in %g s", r.Frames, r.ListenedS)
		}
		log.Close()
	}
	sur, _ := survey.New(config.Default())
	gone := func([]canbus.Frame) (int, error) { return 0, os.ErrClosed }
	if err := hear(context.Background(), gone, nil, time.Hour, sur); !errors.Is(err, os.ErrClosed) {
		t.Errorf("a socket that fails: %v", err)
	}
}
