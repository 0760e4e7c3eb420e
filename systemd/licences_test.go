package systemd

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the file of licences")

const copyrightFile = "debian/copyright"

// The package says whose work is in the program, and under which licence. The
// list is made of the modules that are linked into it, on any of the boards.
func TestLicencesOfAllThatIsInside(t *testing.T) {
	want := copyrights(t)
	if *update {
		if err := os.WriteFile(copyrightFile, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(copyrightFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(kept, want) {
		t.Errorf("%s does not fit the modules of the program; rewrite it with -update", copyrightFile)
	}
}

// licenceName finds the files in which a module says its licence.
var licenceName = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|edl)([-.].*)?(v10)?$`)

type module struct{ path, version, folder string }

func modules(t *testing.T) []module {
	t.Helper()
	var all []module
	for _, arch := range []string{"amd64", "arm64", "arm"} {
		cmd := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{.Path}} {{.Version}} {{.Dir}}{{end}}", "chaffinch/cmd/chaffinch")
		cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+arch, "CGO_ENABLED=0")
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		for _, line := range strings.Split(string(out), "\n") {
			f := strings.Fields(line)
			if len(f) != 3 || f[0] == "chaffinch" { // ours has no version
				continue
			}
			if m := (module{f[0], f[1], f[2]}); !slices.Contains(all, m) {
				all = append(all, m)
			}
		}
	}
	slices.SortFunc(all, func(a, b module) int { return strings.Compare(a.path, b.path) })
	if len(all) < 10 {
		t.Fatalf("only %d modules: the list is not one", len(all))
	}
	return all
}

func copyrights(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	fmt.Fprint(&b, `Chaffinch
=========

Licensed under the Apache License, Version 2.0. On Debian systems its text is in
/usr/share/common-licenses/Apache-2.0.

The program contains, unchanged, the libraries below and the standard library of
Go. Each stands under its own licence, which follows. Of the two licences of
github.com/eclipse/paho.mqtt.golang the Eclipse Distribution License is used
here; its source is at https://github.com/eclipse/paho.mqtt.golang.
`)
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	goLicence := filepath.Join(strings.TrimSpace(string(root)), "LICENSE")
	writeLicence(t, &b, "The Go standard library and runtime", []string{goLicence})
	for _, m := range modules(t) {
		files, err := os.ReadDir(m.folder)
		if err != nil {
			t.Fatal(err)
		}
		var found []string
		for _, f := range files {
			if !f.IsDir() && licenceName.MatchString(f.Name()) {
				found = append(found, filepath.Join(m.folder, f.Name()))
			}
		}
		writeLicence(t, &b, m.path+" "+m.version, found)
	}
	return b.Bytes()
}

const (
	apache  = "Apache License\n"
	eclipse = "Eclipse Public License - v 2.0"
)

func writeLicence(t *testing.T, b *bytes.Buffer, of string, files []string) {
	t.Helper()
	fmt.Fprintf(b, "\n\n%s\n%s\n", of, strings.Repeat("-", len(of)))
	known := false
	for _, f := range files {
		raw, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.TrimSpace(strings.ReplaceAll(string(raw), "\r", ""))
		switch {
		case strings.Contains(text, eclipse) && strings.Contains(text, "1. DEFINITIONS"):
			continue // the other one is used
		case strings.Contains(text, apache) && strings.Contains(text, "TERMS AND CONDITIONS"):
			known = true
			fmt.Fprintf(b, "\nLicensed under the Apache License, Version 2.0: see\n/usr/share/common-licenses/Apache-2.0.\n")
			// What follows the licence's own text are words of the module's.
			if _, more, ok := strings.Cut(text, "limitations under the License."); ok && strings.TrimSpace(more) != "" {
				fmt.Fprintf(b, "\n%s\n", strings.TrimSpace(more))
			}
			continue
		case strings.Contains(text, "Permission is hereby granted"), strings.Contains(text, "Redistribution and use"):
			known = true
		}
		fmt.Fprintf(b, "\n%s\n", text)
	}
	if !known {
		t.Errorf("%s: no licence that may be shipped was found in %q", of, files)
	}
}
