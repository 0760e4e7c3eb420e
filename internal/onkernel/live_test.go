package onkernel

import (
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Promise: what a live bus gives is what a replay of its recording gives. The
// recording is made by candump of can-utils on the same interface; the frames are
// sent by its canplayer through another controller of the bus, a make-believe
// harvest and recordings of real machines, one of them with a bus that is full.
func TestLiveIsWhatReplayFinds(t *testing.T) {
	t.Run("harvest on amd64", func(t *testing.T) {
		t.Parallel()
		g := bootWithBus(t, "amd64")
		log, config := harvest(t, "testdata/harvest.toml")
		compare(t, g, "harvest", log, config, 15)
	})
	t.Run("real machines on arm64", func(t *testing.T) {
		t.Parallel()
		g := bootWithBus(t, "arm64")
		compare(t, g, "truck", unzipped(t, "truck-busy-bus-values-not-available.log.gz"), "", 5)
		compare(t, g, "tractor", realLogs+"tractor-start-and-rev.log", "", 0)
	})
}

const realLogs = "../../testdata/real/can/"

// bootWithBus is a computer that listens on can0 and can send on can1. Its date
// is right.
func bootWithBus(t *testing.T, arch string) *guest {
	t.Helper()
	g := boot(t, machine{arch: arch, can: true})
	g.sh(listenOnCan0 + " && " + sendOnCan1)
	g.sh("mkdir -p /run/systemd/timesync && touch /run/systemd/timesync/synchronized")
	return g
}

// unzipped is a real log as canplayer can read it.
func unzipped(t *testing.T, name string) string {
	t.Helper()
	in, err := os.Open(realLogs + name)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	r, err := gzip.NewReader(in)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "real.log")
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// compare plays a log to the daemon and to candump, and holds what was told
// live against a replay of what candump wrote.
func compare(t *testing.T, g *guest, name, log, config string, least int) {
	t.Helper()
	g.run(name, config)
	g.give(log, name+".log")
	// With error frames: candump leaves them out unless it is asked for them.
	g.sh("mkdir /tmp/" + name + " && cd /tmp/" + name + " && (candump -l can0,0:0,#FFFFFFFF >/dev/null 2>&1 & echo $! >/tmp/candump.pid); sleep 1;" +
		"canplayer -I /shared/" + name + ".log can1=can0; sleep 3")
	took := g.stop(name)
	g.sh("kill -INT $(cat /tmp/candump.pid); sleep 1; cp /tmp/" + name + ".db /shared/; cp /tmp/" + name + "/*.log /shared/" + name + ".recorded")
	sent, recorded := strings.Count(g.read(name+".log"), "\n"), strings.Count(g.read(name+".recorded"), "\n")

	again := filepath.Join(t.TempDir(), "again.db")
	ours(t, "replay", "--quiet", "--config", g.path(name+".toml"), "--events", "/dev/null", "--store", again, g.path(name+".recorded"))
	live := told(t, ours(t, "export", "--all", "--format", "jsonl", "--store", g.path(name+".db")))
	replayed := told(t, ours(t, "export", "--all", "--format", "jsonl", "--store", again))
	// At the end of a log a shift is over; a live bus may go on.
	if n := len(replayed) - 1; n >= 0 && replayed[n]["record"] == "shift" && len(live) == n {
		replayed = replayed[:n]
	}
	forgetEnd(live)
	forgetEnd(replayed)
	if len(live) < least {
		t.Errorf("%d records were told live: the test proves nothing below %d", len(live), least)
	}
	if len(live) != len(replayed) {
		t.Errorf("%d records were told live, %d in the replay", len(live), len(replayed))
	}
	var c comparison
	for i := range min(len(live), len(replayed)) {
		for _, d := range c.differences("", live[i], replayed[i]) {
			t.Errorf("record %d: %s\n live     %v\n replayed %v", i, d, live[i], replayed[i])
		}
	}
	t.Logf("%s: %d frames sent, %d recorded; %d records the same, event time %v apart, labels of wall time at most %v; stopped in %v",
		name, sent, recorded, len(live), c.shift, c.label, took)
	if c.label > 2*time.Millisecond {
		t.Error("labels are too far apart")
	}
}

// forgetEnd takes the moment away from what is said at the end of what is still
// active: a recording ends with its last frame, a live bus when it is stopped.
func forgetEnd(all []map[string]any) {
	for i := len(all) - 1; i >= 0 && all[i]["at_s"] == all[len(all)-1]["at_s"]; i-- {
		m, _ := all[i]["message"].(map[string]any)
		if m["phase"] != "changed" {
			return
		}
		defer delete(all[i], "at_s")
		delete(all[i], "time")
		delete(m, "uptime_ms")
		delete(m, "at")
	}
}

// told reads lines of JSON.
func told(t *testing.T, lines string) []map[string]any {
	t.Helper()
	var all []map[string]any
	for line := range strings.Lines(lines) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatal(err)
		}
		all = append(all, m)
	}
	return all
}

// comparison compares records. A daemon's event time counts from its own start,
// in whole seconds: all moments must be apart by the same. Calendar time is a
// label that a live bus reads off two clocks for each frame.
type comparison struct {
	known bool
	shift time.Duration // of event time
	label time.Duration // the largest difference of labels
}

// unit of the fields that count event time.
var unit = map[string]time.Duration{"at_s": time.Second, "uptime_ms": time.Millisecond, "at_ns": time.Nanosecond}

func (c *comparison) differences(field string, a, b any) []string {
	name := field[strings.LastIndexByte(field, '.')+1:]
	switch {
	case field == ".key":
		return nil // counts what else is stored
	case unit[name] != 0:
		x, ok1 := a.(float64)
		y, ok2 := b.(float64)
		shift := time.Duration(math.Round((x - y) * float64(unit[name])))
		if !c.known {
			c.known, c.shift = true, shift
		}
		if !ok1 || !ok2 || shift != c.shift || shift%time.Second != 0 {
			return []string{fmt.Sprintf("%s: %v and %v", field, a, b)}
		}
		return nil
	}
	switch x := a.(type) {
	case map[string]any:
		y, ok := b.(map[string]any)
		if !ok || len(x) != len(y) {
			return []string{field + ": other fields"}
		}
		var all []string
		for _, k := range slices.Sorted(maps.Keys(x)) {
			all = append(all, c.differences(field+"."+k, x[k], y[k])...)
		}
		return all
	case []any:
		y, ok := b.([]any)
		if !ok || len(x) != len(y) {
			return []string{field + ": another length"}
		}
		var all []string
		for i := range x {
			all = append(all, c.differences(fmt.Sprintf("%s.%d", field, i), x[i], y[i])...)
		}
		return all
	case string:
		at, err := time.Parse(time.RFC3339, x)
		text, ok := b.(string)
		if other, err2 := time.Parse(time.RFC3339, text); ok && err == nil && err2 == nil {
			c.label = max(c.label, at.Sub(other).Abs())
			return nil
		}
	}
	if a != b {
		return []string{fmt.Sprintf("%s: %v and %v", field, a, b)}
	}
	return nil
}
