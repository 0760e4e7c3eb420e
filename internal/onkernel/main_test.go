package onkernel

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	_ "chaffinch/internal/daemon" // nearly all of the program; see seeSource
	"chaffinch/internal/outside"
)

// emulators by architecture.
var emulators = map[string]string{"amd64": "qemu-system-x86_64", "arm64": "qemu-system-aarch64"}

type prepare struct {
	once    sync.Once
	img     image
	program string
	err     error
}

var (
	preparing = map[string]*prepare{"amd64": {}, "arm64": {}}
	builds    string // folder of our programs for the guests
)

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "chaffinch-onkernel-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	builds = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// The program is built by another process, of which the cache of test results knows
// nothing: it must see that the program's source has changed.
func seeSource(t *testing.T) {
	t.Helper()
	files, err := filepath.Glob("../../cmd/chaffinch/*")
	if err != nil || len(files) == 0 {
		t.Fatalf("the program's source is not there: %v", err)
	}
	for _, f := range files {
		if _, err := os.Stat(f); err != nil {
			t.Fatal(err)
		}
	}
}

// prepared is the start image of an architecture, and our program for it.
func prepared(t *testing.T, arch string) (image, string) {
	t.Helper()
	if testing.Short() {
		t.Skip("NOT CHECKED: computers are not emulated in a short run")
	}
	seeSource(t)
	for _, tool := range []string{emulators[arch], "cpio", "apt-get", "dpkg-deb"} {
		outside.Tool(t, tool)
	}
	p := preparing[arch]
	p.once.Do(func() {
		if p.img, p.err = makeImage(arch); p.err != nil {
			return
		}
		p.program = filepath.Join(builds, "chaffinch-"+arch)
		build := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", p.program, "chaffinch/cmd/chaffinch")
		build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+arch)
		if said, err := build.CombinedOutput(); err != nil {
			p.err = fmt.Errorf("go build: %w:\n%s", err, said)
		}
	})
	if p.err != nil {
		outside.Missing(t, "there is no guest for %s: %v", arch, p.err)
	}
	return p.img, p.program
}

// Both computers start, run a program, tell its exit code, and have what the
// other tests need of them.
func TestTheComputersStart(t *testing.T) {
	for arch := range emulators {
		t.Run(arch, func(t *testing.T) {
			t.Parallel()
			g := boot(t, machine{arch: arch, can: true})
			t.Logf("%s", g.sh("uname -a; chaffinch version; ip -br link"))
			if said, exit := g.try("echo so; exit 3"); said != "so\n" || exit != 3 {
				t.Errorf("the guest said %q and ended with %d", said, exit)
			}
			for _, name := range []string{"can0", "can1"} {
				g.sh("ip link show " + name)
			}
			if _, exit := g.try("ip link show can2"); exit == 0 {
				t.Error("an interface is there that should not be")
			}
		})
	}
}
