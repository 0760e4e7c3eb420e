// Package systemd holds what a board needs beside the program: the unit, the
// set-up of the interface, and the description of the Debian package. It has
// tests only.
package systemd

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"chaffinch/internal/outside"
)

const unitFile = "chaffinch.service"

// mostExposed is the score of systemd-analyze security that the unit must not
// pass; 0 is best, 10 is a unit that says nothing.
const mostExposed = 1.5

func TestTheUnitIsHardened(t *testing.T) {
	analyze := outside.Tool(t, "systemd-analyze")
	out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=20", "--no-pager", "./"+unitFile).CombinedOutput()
	found := regexp.MustCompile(`exposure level for chaffinch.service: ([0-9.]+)`).FindSubmatch(out)
	if err != nil || found == nil {
		t.Fatalf("systemd-analyze security: %v\n%s", err, out)
	}
	score, err := strconv.ParseFloat(string(found[1]), 64)
	if err != nil || score > mostExposed {
		t.Errorf("exposure %s, allowed %v\n%s", found[1], mostExposed, out)
	}
	t.Logf("exposure %.1f of 10", score)
}

// The test above can fail: a unit that says nothing is far over the limit.
func TestAPlainUnitIsNot(t *testing.T) {
	analyze := outside.Tool(t, "systemd-analyze")
	plain := filepath.Join(t.TempDir(), "plain.service")
	write(t, plain, "[Service]\nExecStart=/bin/true\n")
	if out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=20", "--no-pager", plain).CombinedOutput(); err == nil {
		t.Errorf("a plain unit passed:\n%s", out)
	}
}

func verify(t *testing.T, unit string) string {
	t.Helper()
	// The program and its manual are not installed here: another stands in.
	unit = regexp.MustCompile(`(?m)^ExecStart=\S+`).ReplaceAllString(unit, "ExecStart=/bin/true")
	path := filepath.Join(t.TempDir(), unitFile)
	write(t, path, unit)
	out, err := exec.Command(outside.Tool(t, "systemd-analyze"), "verify", "--man=no", path).CombinedOutput()
	var about []string
	for _, line := range strings.Split(string(out), "\n") {
		if strings.Contains(line, path) || strings.HasPrefix(line, unitFile) {
			about = append(about, line)
		}
	}
	if err != nil && len(about) == 0 {
		about = append(about, err.Error(), string(out))
	}
	return strings.Join(about, "\n")
}

func TestSystemdUnderstandsTheUnit(t *testing.T) {
	if said := verify(t, text(t, unitFile)); said != "" {
		t.Errorf("systemd-analyze verify:\n%s", said)
	}
	if said := verify(t, text(t, unitFile)+"\n[Service]\nProtectTheSystem=yes\n"); said == "" {
		t.Error("a key that does not exist went unnoticed")
	}
}

// A cab has no network at first, may have no bus, and knows no date.
func TestTheUnitWaitsForNothing(t *testing.T) {
	keys := settings(text(t, unitFile))
	for _, key := range []string{"Requires", "BindsTo", "Wants", "Requisite", "PartOf"} {
		if v := keys[key]; v != nil {
			t.Errorf("%s=%s", key, v)
		}
	}
	for _, after := range keys["After"] {
		if strings.Contains(after, "network-online") || strings.Contains(after, "time-sync") {
			t.Errorf("After=%s", after)
		}
	}
	for key, want := range map[string]string{
		"Type": "notify", "Restart": "always", "StartLimitIntervalSec": "0", "WatchdogSec": "20s", "TimeoutStopSec": "10s",
	} {
		if !slices.Equal(keys[key], []string{want}) {
			t.Errorf("%s=%s, want %s", key, keys[key], want)
		}
	}
}

// The ports that the unit allows are those of the configuration's defaults.
func TestTheUnitAllowsTheDefaultPorts(t *testing.T) {
	config := text(t, "../configs/chaffinch.toml")
	want := []string{}
	for _, m := range regexp.MustCompile(`(?m)^#listen = ".*:(\d+)"`).FindAllStringSubmatch(config, -1) {
		want = append(want, "tcp:"+m[1])
	}
	got := settings(text(t, unitFile))["SocketBindAllow"]
	slices.Sort(want)
	slices.Sort(got)
	if len(want) != 2 || !slices.Equal(got, want) {
		t.Errorf("the unit allows %q, the configuration wants %q", got, want)
	}
}

// No system call that sets a clock, loads code into the kernel or traces others
// is left, whatever the names of the sets mean in this version of systemd.
func TestSystemCallsThatAreOut(t *testing.T) {
	analyze := outside.Tool(t, "systemd-analyze")
	allowed := map[string]bool{}
	add := func(set string, v bool) {
		var walk func(string)
		walk = func(set string) {
			out, err := exec.Command(analyze, "syscall-filter", "--no-pager", set).Output()
			if err != nil {
				t.Fatalf("systemd-analyze syscall-filter %s: %v", set, err)
			}
			for _, line := range strings.Split(string(out), "\n")[1:] {
				switch word := strings.TrimSpace(line); {
				case word == "" || strings.HasPrefix(word, "#"):
				case strings.HasPrefix(word, "@"):
					walk(word)
				default:
					allowed[word] = v
				}
			}
		}
		walk(set)
	}
	for _, line := range settings(text(t, unitFile))["SystemCallFilter"] {
		names, out := strings.CutPrefix(line, "~")
		for _, set := range strings.Fields(names) {
			add(set, !out)
		}
	}
	for _, call := range []string{"adjtimex", "clock_settime", "settimeofday", "init_module", "bpf", "ptrace", "mount", "setuid", "chroot", "reboot", "kexec_load", "setrlimit"} {
		if allowed[call] {
			t.Errorf("%s is allowed", call)
		}
	}
	// What Go's runtime and the program call, on 64-bit boards and on ARM with 32
	// bits (read with strace, and with qemu-arm -strace).
	for _, call := range strings.Fields(usedCalls) {
		if !allowed[call] {
			t.Errorf("%s is not allowed", call)
		}
	}
}

// A guide must not send a technician to what is not there.
func TestTheGuideNamesWhatThePackageHas(t *testing.T) {
	guide, description := text(t, "INSTALL.md"), text(t, "nfpm.yaml")+text(t, unitFile)+text(t, "debian/preinst")+text(t, "../configs/chaffinch.toml")
	for _, path := range []string{
		"/usr/lib/systemd/network/80-chaffinch-can0.network", "examples/80-chaffinch-can.link", "/etc/chaffinch/chaffinch.toml",
		"uplink-password", "broker-password", "/usr/lib/chaffinch/chaffinch.previous", "SocketBindAllow=tcp:", "ProtectClock=", "[mqtt.uplink]",
	} {
		if !strings.Contains(guide, path) || !strings.Contains(description, path) {
			t.Errorf("%s is in the guide: %v, in the package: %v", path, strings.Contains(guide, path), strings.Contains(description, path))
		}
	}
	if !strings.Contains(text(t, "../README.md"), "\n## Cautions\n") || !strings.Contains(description, "README.md") {
		t.Error("the cautions that the guide speaks of are not in the package")
	}
}

// settings lists the values of each key of a unit.
func settings(unit string) map[string][]string {
	all := map[string][]string{}
	for _, line := range strings.Split(unit, "\n") {
		key, value, ok := strings.Cut(line, "=")
		if ok && !strings.HasPrefix(line, "#") {
			all[key] = append(all[key], value)
		}
	}
	return all
}

func text(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
