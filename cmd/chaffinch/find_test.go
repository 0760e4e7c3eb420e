package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// harvestLog is the log of a make-believe harvest, and what a display would
// have said: the samples of a replay with the right maps.
func harvestLog(t *testing.T) (log string, display []map[string]string) {
	t.Helper()
	folder := t.TempDir()
	log, cfg, table := filepath.Join(folder, "day.log"), filepath.Join(folder, "day.toml"), filepath.Join(folder, "day.csv")
	for _, args := range [][]string{
		{"simulate", "--seed", "3", "--hours", "0.5", "--out", log, "--config", cfg},
		{"replay", "--quiet", "--config", cfg, "--events", os.DevNull, "--samples", table, log},
	} {
		if r := chaffinch(nil, args...); r.code != exitDone {
			t.Fatalf("%v: %s", args, r.err)
		}
	}
	file, err := os.Open(table)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		line := map[string]string{}
		for i, name := range rows[0] {
			line[name] = row[i]
		}
		display = append(display, line)
	}
	return log, display
}

func TestFindALossSensor(t *testing.T) {
	log, display := harvestLog(t)
	var readings []string
	for second := 90; len(readings) < 8; second += 70 {
		value, err := strconv.ParseFloat(display[second]["separation_loss_pct"], 64)
		if err != nil {
			t.Fatal(err)
		}
		readings = append(readings, fmt.Sprintf("%s=%.0f", display[second]["time"], value))
	}
	args := []string{"find", "separation_loss_pct", "--log", log}
	for _, r := range readings {
		args = append(args, "--reading", r)
	}
	picture := filepath.Join(t.TempDir(), "picture.svg")
	r := chaffinch(nil, append(args, "--picture", picture)...)
	for _, want := range []string{"separation_loss_pct: found", "pgn = 65302\n", "start_bit = 0\n", "length = 16\n", "scale = 0.01\n"} {
		if r.code != exitDone || !strings.Contains(r.out, want) {
			t.Fatalf("code %d, no %q\n%s%s", r.code, want, r.out, r.err)
		}
	}
	if svg, err := os.ReadFile(picture); err != nil || !bytes.HasPrefix(svg, []byte("<svg")) {
		t.Errorf("no picture: %v", err)
	}
	if r := chaffinch(nil, append(args, "--json")...); r.code != exitDone || !json.Valid([]byte(r.out)) {
		t.Errorf("no JSON: %s", r.err)
	}
	// Asked for one by one, it says when it is sure, and what it found is a
	// map that the configuration takes.
	r = chaffinch([]byte("noon=3\n"+strings.Join(readings, "\n")+"\n\n"), "find", "separation_loss_pct", "--log", log)
	if r.code != exitDone || !strings.Contains(r.out, "pgn = 65302\n") || !strings.Contains(r.err, "is no time") {
		t.Fatalf("asking: code %d\n%s%s", r.code, r.out, r.err)
	}
	cfg := filepath.Join(t.TempDir(), "map.toml")
	if err := os.WriteFile(cfg, []byte(r.out[strings.Index(r.out, "[[map]]"):]), 0o600); err != nil {
		t.Fatal(err)
	}
	if r := chaffinch(nil, "check-config", cfg); r.code != exitDone {
		t.Errorf("the map does not load:\n%s", r.out)
	}
}

func TestFindAFlag(t *testing.T) {
	log, display := harvestLog(t)
	args := []string{"find", "header_working", "--log", log}
	for i := 61; i < len(display) && len(args) < 4+2*8; i++ {
		switch was, is := display[i-1]["header_working"], display[i]["header_working"]; {
		case was == "0" && is == "1":
			args = append(args, "--on", display[i]["time"])
		case was == "1" && is == "0":
			args = append(args, "--off", display[i]["time"])
		}
	}
	r := chaffinch(nil, args...)
	// It goes out twice: as the in-work bits of the front hitch and as process
	// data; either will do.
	if r.code != exitDone || !strings.Contains(r.out, "[[map]]") || !strings.Contains(r.out, "pgn = 65094") && !strings.Contains(r.out, "pgn = 51968") {
		t.Errorf("%d changes: code %d\n%s%s", (len(args)-4)/2, r.code, r.out, r.err)
	}
}

func TestFindRefuses(t *testing.T) {
	log := recording("tractor-start-and-rev.log")
	for _, args := range [][]string{
		{"find"}, {"find", "rotor_rpm", "--log", log}, {"find", "rotor_speed_rpm"},
		{"find", "rotor_speed_rpm", "--log", log, "--on", "3"},
		{"find", "unloading", "--log", log, "--reading", "3=1"},
		{"find", "rotor_speed_rpm", "--log", log, "--reading", "3"},
		{"find", "rotor_speed_rpm", "--log", log, "--tz", "Nowhere"},
	} {
		if r := chaffinch(nil, args...); r.code != exitUsage || r.err == "" {
			t.Errorf("%v: code %d, %q", args, r.code, r.err)
		}
	}
}
