package main

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/publish"
	"chaffinch/publish/phone"
	"chaffinch/store"
	"chaffinch/store/export"
)

// harvestStore is the store of a make-believe harvest, made by the program.
func harvestStore(t *testing.T, hours string) (path, samples string) {
	t.Helper()
	folder := t.TempDir()
	log, toml := filepath.Join(folder, "day.log"), filepath.Join(folder, "day.toml")
	path, samples = filepath.Join(folder, "day.db"), filepath.Join(folder, "samples.csv")
	if r := chaffinch(nil, "simulate", "--seed", "5", "--hours", hours, "--out", log, "--config", toml); r.code != exitDone {
		t.Fatal(r.err)
	}
	if r := chaffinch(nil, "replay", "--quiet", "--config", toml, "--store", path, "--samples", samples, log); r.code != exitDone {
		t.Fatal(r.err)
	}
	return path, samples
}

func TestExportOfAStore(t *testing.T) {
	path, samples := harvestStore(t, "0.3")
	folder := t.TempDir()
	out := filepath.Join(folder, "day.csv")
	if r := chaffinch(nil, "export", "--store", path, "--format", "csv", "--all", "--out", out); r.code != exitDone || r.out != "" {
		t.Fatal(r)
	}
	table, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	of, err := os.ReadFile(samples)
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(of), "\r\n")
	if !strings.HasPrefix(string(table), head+",shift,boot,at_s,clock\r\n") || strings.Count(string(table), "\n") < 1000 {
		t.Errorf("%d lines, the first %.80s", strings.Count(string(table), "\n"), table)
	}
	events, err := os.ReadFile(filepath.Join(folder, "day.events.csv"))
	if err != nil || !strings.HasPrefix(string(events), "id,kind,") {
		t.Errorf("%v %.80s", err, events)
	}
	for _, f := range []string{"events", "jsonl", "geojson", "isoxml"} {
		r := chaffinch(nil, "export", "--store", path, "--format", f)
		if r.code != exitDone || r.out == "" {
			t.Errorf("%s: %s", f, r.err)
		}
		switch f {
		case "geojson":
			if !json.Valid([]byte(r.out)) {
				t.Error("the map is no JSON")
			}
		case "isoxml":
			if z, err := zip.NewReader(strings.NewReader(r.out), int64(len(r.out))); err != nil || len(z.File) < 3 {
				t.Error("the task data are no zip", err)
			}
		}
	}
	some := chaffinch(nil, "export", "--store", path, "--format", "csv", "--after", "2100-01-01T00:00:00Z")
	if some.code != exitDone || strings.Count(some.out, "\n") != 1 {
		t.Error(some)
	}
	left, err := filepath.Glob(filepath.Join(folder, "*.part"))
	if err != nil || len(left) > 0 {
		t.Error("parts are left:", left)
	}
}

func TestExportRefuses(t *testing.T) {
	none := filepath.Join(t.TempDir(), "none.db")
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{nil, exitUsage, "--format is missing"},
		{[]string{"--format", "geojsn", "--store", none}, exitUsage, `did you mean "geojson"?`},
		{[]string{"--format", "csv"}, exitUsage, "give either --store"},
		{[]string{"--format", "csv", "--store", none, "--from", "http://127.0.0.1:1"}, exitUsage, "give either --store"},
		{[]string{"--format", "csv", "--store", none}, exitFailed, "is not there"},
		{[]string{"--format", "csv", "--store", none, "--after", "monday"}, exitUsage, "is no date"},
		{[]string{"--format", "csv", "--store", none, "--all", "--shift", "2"}, exitUsage, "--all or --shift"},
		{[]string{"--format", "csv", "--store", none, "--code", "123456"}, exitUsage, "are for --from"},
		{[]string{"--format", "csv", "--from", "192.168.7.1:8080"}, exitUsage, "is no address"},
		{[]string{"--format", "csv", "--from", "https://127.0.0.1:1", "--certificate-sha256", "12:34"}, exitUsage, "is no SHA-256"},
		{[]string{"--format", "csv", "--from", "http://127.0.0.1:1", "--all"}, exitUsage, "need --store"},
	} {
		r := chaffinch(nil, append([]string{"export"}, c.args...)...)
		if r.code != c.code || !strings.Contains(r.err, c.says) {
			t.Errorf("%v: code %d, %s", c.args, r.code, r.err)
		}
	}
}

// served is a page on a store in use, with a code to pair with.
func served(t *testing.T, s *store.Store) (address, code string) {
	return servedAs(t, s, "", nil)
}

// servedAs is a page with a way of encryption and a log.
func servedAs(t *testing.T, s *store.Store, how string, log *slog.Logger) (address, code string) {
	t.Helper()
	codes := make(chan phone.Code, 1)
	page, err := phone.New(phone.Options{
		Settings: phone.Settings{Listen: "127.0.0.1:0", TLS: how}, Board: publish.NewBoard(publish.NewTopics("west-2"), publish.Clock{}),
		Submit: func(context.Context, publish.Input) (publish.Reply, error) { return publish.Reply{}, nil },
		Keep:   phone.Keep{Load: func(string) ([]byte, error) { return nil, nil }, Save: func(string, []byte) error { return nil }},
		Log:    log, Show: func(c phone.Code) { codes <- c }, Downloads: phone.Exports(func() *store.Store { return s }, "v0", time.UTC, export.Formats()),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- page.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	c := <-codes
	return page.Health().Address, c.Digits
}

// shaky passes connections on, and breaks each after so many bytes of answers.
func shaky(t *testing.T, to string, most int64) (address string, broken *atomic.Int32) {
	t.Helper()
	broken = &atomic.Int32{}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { ln.Close() })
	go func() {
		for {
			in, err := ln.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				return
			}
			go func() { _, _ = io.Copy(out, in) }()
			go func() {
				if n, _ := io.CopyN(in, out, most); n == most {
					broken.Add(1)
				}
				in.Close()
				out.Close()
			}()
		}
	}()
	return ln.Addr().String(), broken
}

// A shift is fetched over a connection that breaks again and again, while the
// program writes to its store; what comes is what the store's own export is.
func TestExportFromAMachineOverABadConnection(t *testing.T) {
	path, _ := harvestStore(t, "0.5")
	want := map[string]string{}
	for _, f := range []string{"csv", "events", "jsonl", "geojson", "isoxml"} {
		want[f] = chaffinch(nil, "export", "--store", path, "--format", f).out
	}
	live, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer live.Close()
	address, code := served(t, live)
	through, broken := shaky(t, address, 50_000)
	url, folder := "http://"+through, t.TempDir()
	tokens := filepath.Join(folder, "tokens.json")

	if r := chaffinch(nil, "export", "--from", url, "--format", "csv", "--tokens", tokens, "--out", filepath.Join(folder, "x.csv")); r.code != exitFailed || !strings.Contains(r.err, "give --code") {
		t.Errorf("a stranger: %+v", r)
	}
	if r := chaffinch(nil, "export", "--from", url, "--format", "csv", "--tokens", tokens, "--code", "000000"); r.code != exitFailed || !strings.Contains(r.err, "that is not the code") && code != "000000" {
		t.Errorf("a wrong code: %+v", r)
	}

	stop, wrote := make(chan struct{}), make(chan int)
	go func() {
		n := 0
		for ; ; n++ {
			select {
			case <-stop:
				wrote <- n
				return
			case <-time.After(2 * time.Millisecond):
			}
			if err := live.Append([]store.Record{{Kind: store.Input, ID: "answer", Phase: detect.Ended, At: signal.Instant(n), Payload: []byte("{}")}}); err != nil {
				t.Error(err)
			}
		}
	}()
	for i, f := range []string{"csv", "jsonl", "geojson", "isoxml"} {
		out := filepath.Join(folder, "shift."+f)
		args := []string{"export", "--from", url, "--format", f, "--tokens", tokens, "--out", out}
		if i == 0 {
			args = append(args, "--code", code)
		}
		if r := chaffinch(nil, args...); r.code != exitDone {
			t.Fatalf("%s: %s", f, r.err)
		}
		got, err := os.ReadFile(out)
		if err != nil || string(got) != want[f] {
			t.Errorf("%s: %v, %d bytes, want %d", f, err, len(got), len(want[f]))
		}
	}
	close(stop)
	n := <-wrote
	t.Logf("%d connections broke; %d commits meanwhile", broken.Load(), n)
	if broken.Load() < 2 || n < 5 {
		t.Errorf("%d connections broke, %d commits", broken.Load(), n)
	}
	if events, err := os.ReadFile(filepath.Join(folder, "shift.csv.events.csv")); err == nil || len(events) > 0 {
		t.Error("the alerts are under an odd name")
	}
	if events, err := os.ReadFile(filepath.Join(folder, "shift.events.csv")); err != nil || string(events) != want["events"] {
		t.Error("the alerts:", err)
	}
	left, err := filepath.Glob(filepath.Join(folder, "*.part*"))
	if err != nil || len(left) > 0 {
		t.Error("parts are left:", left)
	}
}

// A part is kept when it is given up, and the next command goes on from it; one of
// something else is not used.
func TestExportGoesOnWithAPart(t *testing.T) {
	path, _ := harvestStore(t, "0.3")
	want := chaffinch(nil, "export", "--store", path, "--format", "csv").out
	live, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer live.Close()
	address, code := served(t, live)
	folder := t.TempDir()
	tokens, out := filepath.Join(folder, "tokens.json"), filepath.Join(folder, "shift.csv")
	get := func(address string, more ...string) result {
		return chaffinch(nil, append([]string{"export", "--from", "http://" + address, "--format", "csv", "--tokens", tokens, "--out", out}, more...)...)
	}
	if r := get(address, "--code", code); r.code != exitDone {
		t.Fatal(r.err)
	}
	if info, err := os.Stat(tokens); err != nil || info.Mode().Perm() != 0o600 {
		t.Error("others may read the token:", err, info.Mode())
	}
	for _, c := range []struct {
		name, tag string
		goesOn    bool
	}{{"the part", "", true}, {"a part of something else", "\"0123\"\ngzip\n", false}} {
		ctx, cancel := context.WithCancel(context.Background())
		through, broken := shaky(t, address, 20_000)
		pairAs(t, tokens, address, through)
		go func() {
			defer cancel()
			for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
				if info, err := os.Stat(out + ".part"); err == nil && info.Size() > 0 && broken.Load() > 0 {
					return
				}
			}
		}()
		var errs bytes.Buffer
		if code := run(ctx, []string{"export", "--from", "http://" + through, "--format", "csv", "--tokens", tokens, "--out", out}, streams{strings.NewReader(""), io.Discard, &errs}); code != exitFailed {
			t.Fatal("it was not broken off:", errs.String())
		}
		part, err := os.Stat(out + ".part")
		if err != nil || part.Size() == 0 {
			t.Fatal("no part is kept", err)
		}
		if c.tag != "" {
			if err := os.WriteFile(out+".part.tag", []byte(c.tag), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		r := get(address)
		if r.code != exitDone || strings.Contains(r.err, fmt.Sprintf("going on behind %d bytes", part.Size())) != c.goesOn {
			t.Errorf("%s: %s", c.name, r.err)
		}
		if got, err := os.ReadFile(out); err != nil || string(got) != want {
			t.Errorf("%s: other bytes, %v", c.name, err)
		}
	}
}

// pairAs gives one address the token of another.
func pairAs(t *testing.T, tokens, from, to string) {
	t.Helper()
	text, err := os.ReadFile(tokens)
	all := map[string]string{}
	if err == nil {
		err = json.Unmarshal(text, &all)
	}
	all["http://"+to] = all["http://"+from]
	if err == nil {
		text, err = json.Marshal(all)
	}
	if err == nil {
		err = os.WriteFile(tokens, text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// Over TLS with the program's own certificate it fetches by the fingerprint that
// the log shows, and from nobody else.
func TestExportKnowsTheCertificate(t *testing.T) {
	path, _ := harvestStore(t, "0.2")
	want := chaffinch(nil, "export", "--store", path, "--format", "events").out
	live, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer live.Close()
	log := filepath.Join(t.TempDir(), "log")
	file, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	address, code := servedAs(t, live, phone.TLSGenerated, slog.New(slog.NewTextHandler(file, nil)))
	told, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`certificate_sha256="?([0-9A-Fa-f: ]+)`).FindStringSubmatch(string(told))
	if m == nil {
		t.Fatal(string(told))
	}
	get := func(fingerprint string) result {
		return chaffinch(nil, "export", "--from", "https://"+address, "--format", "events", "--out", "-", "--code", code,
			"--tokens", filepath.Join(t.TempDir(), "tokens.json"), "--certificate-sha256", fingerprint)
	}
	for fingerprint, says := range map[string]string{strings.Repeat("ab", 32): "another certificate", "": "certificate"} {
		if r := get(fingerprint); r.code != exitFailed || !strings.Contains(r.err, says) {
			t.Errorf("%q: %+v", fingerprint, r)
		}
	}
	if r := get(m[1]); r.code != exitDone || r.out != want {
		t.Errorf("%+v", r)
	}
}
