package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/store"
	"chaffinch/store/history"
)

func TestReplayMakesAStore(t *testing.T) {
	folder := t.TempDir()
	log, toml, file := filepath.Join(folder, "day.log"), filepath.Join(folder, "day.toml"), filepath.Join(folder, "day.db")
	if r := chaffinch(nil, "simulate", "--seed", "5", "--hours", "0.2", "--out", log, "--config", toml); r.code != exitDone {
		t.Fatal(r.err)
	}
	plain := chaffinch(nil, "replay", "--config", toml, log)
	r := chaffinch(nil, "replay", "--config", toml, "--store", file, log)
	if r.code != exitDone || r.out != plain.out {
		t.Fatalf("code %d: %s", r.code, r.err)
	}
	if !strings.Contains(r.err, "shift 1: ") || !strings.Contains(r.err, " ha, ") || !strings.Contains(r.err, "in the field") {
		t.Errorf("the summary does not speak of the shift:\n%s", r.err)
	}
	if err := store.CheckFile(file); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(file, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	all, err := history.Shifts(s)
	if err != nil || len(all) != 1 || s.Count(store.History) < 6 || uint64(strings.Count(r.out, "\n")) > s.Count(store.Event) {
		t.Errorf("%d shifts, %v; %d blocks, %d events", len(all), err, s.Count(store.History), s.Count(store.Event))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	again := chaffinch(nil, "replay", "--config", toml, "--store", file, log)
	after, err := os.ReadFile(file)
	if err != nil || again.code != exitFailed || !strings.Contains(again.err, "is there already") || string(before) != string(after) {
		t.Errorf("a file that is there: code %d, %s", again.code, again.err)
	}
}
