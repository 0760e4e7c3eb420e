package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
)

func TestSurveyOfEveryRecording(t *testing.T) {
	for _, rec := range recordings {
		r := chaffinch(nil, "survey", recording(rec.file))
		if r.code != exitDone || !strings.Contains(r.out, "IN SHORT") || !strings.Contains(r.out, "Chaffinch could watch for:") {
			t.Errorf("%s: code %d\n%s%s", rec.file, r.code, r.out, r.err)
		}
		if r := chaffinch(nil, "survey", "--json", recording(rec.file)); r.code != exitDone || !json.Valid([]byte(r.out)) {
			t.Errorf("%s: no JSON: %s", rec.file, r.err)
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
