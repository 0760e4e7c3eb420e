package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/daemon"
)

func statusSays(t *testing.T, args ...string) (code int, out string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), append([]string{"status"}, args...), streams{nil, &o, &e})
	return code, o.String() + e.String()
}

func writeStatus(t *testing.T, s daemon.Status) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "status.json")
	text, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestStatus(t *testing.T) {
	now := daemon.Clock{}.Mono()
	for _, c := range []struct {
		name string
		s    daemon.Status
		code int
		head string
	}{
		{"well", daemon.Status{Schema: 1, WrittenNS: now, Well: true}, exitDone, "well?     yes\n"},
		{"not well", daemon.Status{Schema: 1, WrittenNS: now, What: "can0 is absent", Do: "plug it in"}, exitFailed, "well?     NO: can0 is absent. Do: plug it in\n"},
		{"silent for a minute", daemon.Status{Schema: 1, WrittenNS: now - int64(time.Minute), Well: true}, exitFailed, "well?     NO: it has not said anything for 1m0s"},
		{"of another version", daemon.Status{Schema: 9, WrittenNS: now, Well: true}, exitFailed, "chaffinch: status: "},
	} {
		path := writeStatus(t, c.s)
		code, out := statusSays(t, "--file", path)
		if code != c.code || !strings.HasPrefix(out, c.head) {
			t.Errorf("%s: exit code %d\n%s", c.name, code, out)
		}
		if c.s.Schema != 1 {
			continue
		}
		code, out = statusSays(t, "--file", path, "--json")
		var back daemon.Status
		if err := json.Unmarshal([]byte(out), &back); err != nil || code != c.code || back.Well != (c.code == exitDone) {
			t.Errorf("%s as JSON: exit code %d, %v\n%s", c.name, code, err, out)
		}
	}
}

func TestStatusOfNothing(t *testing.T) {
	code, out := statusSays(t, "--file", filepath.Join(t.TempDir(), "status.json"))
	if code != exitFailed || !strings.Contains(out, "the service chaffinch is not running. Do: sudo systemctl start chaffinch") {
		t.Errorf("exit code %d: %s", code, out)
	}
	code, out = statusSays(t, "--json", "--file", filepath.Join(t.TempDir(), "status.json"))
	var said struct {
		Well *bool
		Do   string
	}
	if err := json.Unmarshal([]byte(out), &said); err != nil || code != exitFailed || said.Well == nil || *said.Well || said.Do == "" {
		t.Errorf("exit code %d, %v: %s", code, err, out)
	}
}

func TestWhereTheStatusGoes(t *testing.T) {
	for dir, want := range map[string]string{"": "", "/run/chaffinch": statusPath, "/run/chaffinch:/run/more": statusPath} {
		if got := statusFile(func(string) string { return dir }); got != want {
			t.Errorf("RUNTIME_DIRECTORY=%q: %q, want %q", dir, got, want)
		}
	}
}
