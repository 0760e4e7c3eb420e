package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

// program is the built program, for tests that need a process of it.
var program string

func TestMain(m *testing.M) {
	folder, err := os.MkdirTemp("", "chaffinch-test-")
	if err != nil {
		panic(err)
	}
	if program, err = outside.Program(folder); err != nil {
		panic(err)
	}
	code := m.Run()
	os.RemoveAll(folder)
	os.Exit(code)
}

// result is what a verb did.
type result struct {
	code     int
	out, err string
}

// chaffinch runs a verb within the test.
func chaffinch(in []byte, args ...string) result {
	var out, err bytes.Buffer
	code := run(context.Background(), args, streams{bytes.NewReader(in), &out, &err})
	return result{code, out.String(), err.String()}
}

func TestWrongUseSaysWhatToDo(t *testing.T) {
	for _, c := range []struct {
		name, want string
		args       []string
	}{
		{"no verb", "a verb is missing", nil},
		{"unknown verb", `no verb "harvest"`, []string{"harvest"}},
		{"replay without a log", "replay --help", []string{"replay"}},
		{"unknown flag", "--help shows an example", []string{"replay", "--colour", "x.log"}},
		{"demo too fast", "0.1 to 1000", []string{"demo", "--speed", "5000"}},
		{"survey of nothing", "give logs, or an --interface", []string{"survey"}},
		{"two stores", "give one store", []string{"check-store", "a", "b"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := chaffinch(nil, c.args...)
			if r.code != exitUsage || !strings.Contains(r.err, c.want) {
				t.Errorf("code %d, said %q; want code %d and %q", r.code, r.err, exitUsage, c.want)
			}
		})
	}
}

func TestWhatCannotBeReadFails(t *testing.T) {
	for _, args := range [][]string{
		{"replay", "/nowhere/a.log"},
		{"replay", "--config", "/nowhere/a.toml", "-"},
		{"check-config", "/nowhere/a.toml"},
	} {
		if r := chaffinch(nil, args...); r.code != exitFailed || r.err+r.out == "" {
			t.Errorf("%v: code %d, said %q", args, r.code, r.err)
		}
	}
}

func TestEveryVerbHasHelpWithAnExample(t *testing.T) {
	for _, verb := range []string{"run", "demo", "replay", "survey", "find", "simulate", "losses", "export", "device", "check-config", "check-store", "version"} {
		r := chaffinch(nil, verb, "--help")
		if r.code != exitDone || !strings.Contains(r.out, "Examples:\n  chaffinch "+verb) {
			t.Errorf("%s --help: code %d\n%s", verb, r.code, r.out)
		}
	}
}

func TestTheDefaultConfigurationIsGood(t *testing.T) {
	r := chaffinch(nil, "check-config", "../../configs/chaffinch.toml")
	if r.code != exitDone || !strings.Contains(r.out, "configuration is good") {
		t.Errorf("code %d: %s%s", r.code, r.out, r.err)
	}
}

func TestVersion(t *testing.T) {
	if r := chaffinch(nil, "version"); r.code != exitDone || !strings.HasPrefix(r.out, "chaffinch ") {
		t.Errorf("%+v", r)
	}
}

func TestDevicesAreAddedListedAndForgotten(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "chaffinch.toml")
	if err := os.WriteFile(path, []byte("[store]\npath = \""+filepath.Join(folder, "chaffinch.db")+"\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	device := func(args ...string) result {
		return chaffinch(nil, append([]string{"device", "--config", path}, args...)...)
	}
	added := device("add", "tablet", "--role", "answer")
	if added.code != exitDone || !strings.Contains(added.out, "username tablet\npassword ") {
		t.Fatalf("add: %+v", added)
	}
	_, rest, _ := strings.Cut(added.out, "password ")
	password, _, _ := strings.Cut(rest, "\n")
	kept, err := os.ReadFile(filepath.Join(folder, "devices"))
	if err != nil || bytes.Contains(kept, []byte(password)) {
		t.Errorf("the file holds the password, or is not there: %v", err)
	}
	if info, err := os.Stat(filepath.Join(folder, "devices")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("others can read the file: %v %v", info.Mode(), err)
	}
	if r := device("add", "tablet"); r.code != exitFailed || !strings.Contains(r.err, "already") {
		t.Errorf("a second one of the name: %+v", r)
	}
	if r := device("add", "x", "--role", "owner"); r.code != exitUsage {
		t.Errorf("a role that there is not: %+v", r)
	}
	if r := device("list"); r.out != "answer   tablet\n" {
		t.Errorf("list: %q", r.out)
	}
	if r := device("forget", "tablet"); r.code != exitDone {
		t.Errorf("forget: %+v", r)
	}
	if r := device("forget", "tablet"); r.code != exitFailed {
		t.Errorf("forget again: %+v", r)
	}
}
