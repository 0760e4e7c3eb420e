// Package imports holds the module to its own drawing: data flows one way, a
// package imports only what stands above it, and each library has one door.
package imports

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// order is the layout. A package may import only packages that stand above it.
var order = []string{
	"canbus/signal",
	"internal/problem",
	"canbus",
	"canbus/j1939",
	"canbus/processdata",
	"canbus/decode",
	"canbus/find",
	"canbus/virtual",
	"detect/machine",
	"detect",
	"detect/advise/knowledge",
	"detect/advise/count",
	"detect/advise/judge",
	"detect/advise",
	"detect/shift",
	"store",
	"store/history",
	"store/export",
	"store/export/report",
	"store/export/fetch",
	"publish",
	"publish/contract",
	"publish/mqtt",
	"publish/phone",
	"configs",
	"internal/config",
	"internal/core",
	"internal/score",
	"internal/coaching",
	"internal/recorded",
	"internal/survey",
	"internal/daemon",
	"internal/speed",
	"internal/phonetest",
	"cmd/chaffinch",
}

// doors says which packages may import a library, and why there is one door.
var doors = map[string][]string{
	"go.einride.tech/can":                 {"canbus", "canbus/decode", "internal/speed"}, // frames and bits; signal databases; to be measured beside it
	"gonum.org/v1/gonum":                  {"detect/advise/judge"},                       // distributions and regression
	"go.etcd.io/bbolt":                    {"store"},
	"github.com/eclipse/paho.mqtt.golang": {"publish/mqtt"},
	"github.com/mochi-mqtt/server":        {"publish/mqtt"},
	"github.com/pelletier/go-toml":        {"internal/config"},
	"github.com/klauspost/compress":       {"canbus"},
	"github.com/gopacket/gopacket":        {"canbus"},
	"rsc.io/qr":                           {"publish/phone"}, // the code that pairs a phone, as a picture
	"golang.org/x/sys":                    {"canbus", "store", "publish/phone", "internal/daemon", "cmd/chaffinch"},
	"golang.org/x/term":                   {"cmd/chaffinch"},
	"golang.org/x/sync":                   {"internal/daemon"},
	"github.com/spf13/cobra":              {"cmd/chaffinch"},
	"github.com/schollz/progressbar":      {"cmd/chaffinch"},
	"github.com/chromedp":                 {"internal/phonetest", "internal/latency"}, // a browser, in tests only
	"github.com/pb33f/jsonschema":         {"publish/contract"},                       // JSON Schema, in tests only
	"github.com/nats-io":                  {"internal/uplinktest"},                    // a broker of many computers, in tests only
}

type listed struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "chaffinch/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// wrong returns why a package must not import path, or nothing.
func wrong(pkg, path string) string {
	if rest, ours := strings.CutPrefix(path, "chaffinch/"); ours {
		from, to := slices.Index(order, pkg), slices.Index(order, rest)
		switch {
		case to < 0:
			return "it has no place in the layout"
		case to >= from:
			return "data flows one way: it stands below in the layout"
		}
		return ""
	}
	if !strings.Contains(path, ".") {
		return "" // the standard library
	}
	for lib, may := range doors {
		if path == lib || strings.HasPrefix(path, lib+"/") {
			if slices.Contains(may, pkg) {
				return ""
			}
			return lib + " has its door in " + strings.Join(may, ", ")
		}
	}
	return "the library is not on the list of doors: give its reason there and in DEVELOPERS.md"
}

// testOnly packages serve tests and must not be part of the program.
var testOnly = []string{"internal/recorded", "publish/contract", "internal/tables", "internal/feedscore", "internal/outside", "internal/imports", "internal/listenonly", "internal/uplinktest", "internal/latency", "internal/onkernel", "internal/faults", "systemd"}

func TestImportsFollowTheLayout(t *testing.T) {
	for _, p := range packages(t) {
		pkg := strings.TrimPrefix(p.ImportPath, "chaffinch/")
		if slices.Contains(testOnly, pkg) {
			continue
		}
		if !slices.Contains(order, pkg) {
			t.Errorf("package %s has no place in the layout: add it to the list", pkg)
			continue
		}
		for _, path := range p.Imports {
			if why := wrong(pkg, path); why != "" {
				t.Errorf("%s must not import %s: %s", pkg, path, why)
			}
		}
	}
}

// What tests need of others is no part of the program.
func TestTheProgramHasNothingThatOnlyTestsNeed(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "chaffinch/cmd/chaffinch").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	deps := strings.Fields(string(out))
	if !slices.Contains(deps, "github.com/eclipse/paho.mqtt.golang") {
		t.Fatal("the list of what the program is made of is not one")
	}
	for _, dep := range deps {
		for _, lib := range []string{"github.com/nats-io/", "github.com/chromedp/", "github.com/pb33f/", "pgregory.net/rapid", "testing"} {
			if dep == lib || strings.HasPrefix(dep, lib) && strings.HasSuffix(lib, "/") {
				t.Errorf("the program contains %s", dep)
			}
		}
	}
}

// The test must be able to fail.
func TestTheRuleCatches(t *testing.T) {
	for _, c := range []struct{ pkg, imports string }{
		{"canbus", "chaffinch/detect"},
		{"store", "chaffinch/publish"},
		{"detect", "go.etcd.io/bbolt"},
		{"publish", "github.com/mochi-mqtt/server/v2"},
		{"detect", "chaffinch/internal/outside"},
		{"canbus", "example.org/unknown"},
	} {
		if wrong(c.pkg, c.imports) == "" {
			t.Errorf("%s importing %s was allowed", c.pkg, c.imports)
		}
	}
}
