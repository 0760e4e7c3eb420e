package main

import (
	"bytes"
	"context"
	"os/exec"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

func manualPage(t *testing.T) string {
	t.Helper()
	var out, err bytes.Buffer
	if code := run(context.Background(), []string{"manual"}, streams{nil, &out, &err}); code != exitDone {
		t.Fatalf("exit code %d: %s", code, err.String())
	}
	return out.String()
}

func TestTheManualHasEveryVerb(t *testing.T) {
	page := manualPage(t)
	for _, verb := range rootVerb(streams{}).Commands() {
		if !verb.Hidden && !strings.Contains(page, ".SS "+roff(verb.CommandPath())+"\n") {
			t.Errorf("%s is not in the manual", verb.CommandPath())
		}
	}
}

// mandoc reads the page as it is meant.
func TestTheManualIsAManualPage(t *testing.T) {
	lint := exec.Command(outside.Tool(t, "mandoc"), "-T", "lint", "-W", "warning")
	lint.Stdin = strings.NewReader(manualPage(t))
	said, _ := lint.CombinedOutput()
	for _, line := range strings.Split(strings.TrimSpace(string(said)), "\n") {
		if line != "" && !strings.Contains(line, "missing date") { // the same program has the same page
			t.Error(line)
		}
	}
}

func TestTextMeansItself(t *testing.T) {
	for text, want := range map[string]string{
		"a - b":         `a \- b`,
		`C:\x`:          `C:\ex`,
		".TH is a word": `\&.TH is a word`,
		"x\n'quoted'":   "x\n\\&'quoted'",
	} {
		if got := roff(text); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}
