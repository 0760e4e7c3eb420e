// Package outside finds what tests need from outside the repository: programs
// that we did not write, and data that we may not pass on. It builds the program
// itself too, for tests that look at it from outside.
//
// A test whose tool or data are absent says so and is skipped. With
// CHAFFINCH_REQUIRE=1 in the environment it fails instead, so that a run which
// counts cannot pass by skipping.
package outside

import (
	"os"
	"os/exec"
	"testing"
)

// debianPackage names the package that carries a program.
func debianPackage(program string) string {
	switch program {
	case "log2asc", "asc2log", "log2long", "candump":
		return "can-utils"
	case "tshark":
		return "tshark"
	case "editcap", "mergecap", "text2pcap", "capinfos":
		return "wireshark-common"
	case "mosquitto_sub", "mosquitto_pub":
		return "mosquitto-clients"
	case "mosquitto":
		return "mosquitto"
	case "zbarimg":
		return "zbar-tools"
	case "ip":
		return "iproute2"
	case "qemu-system-x86_64":
		return "qemu-system-x86"
	case "qemu-system-aarch64":
		return "qemu-system-arm"
	case "ogrinfo":
		return "gdal-bin"
	case "systemd-analyze":
		return "systemd"
	case "xmllint":
		return "libxml2-utils"
	}
	return program
}

// Tool is the path of a program. Without it the test is skipped, or fails if
// the run requires everything.
func Tool(t testing.TB, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		Missing(t, "the program %s is not installed (Debian package %s)", program, debianPackage(program))
	}
	return path
}

// Data is the directory that an environment variable names.
func Data(t testing.TB, variable string) string {
	t.Helper()
	path := os.Getenv(variable)
	if path == "" {
		Missing(t, "%s does not name a directory with the data of this check", variable)
	}
	info, err := os.Stat(path)
	if err != nil || !info.IsDir() {
		Missing(t, "%s=%s is not a directory", variable, path)
	}
	return path
}

// Private is the directory that an environment variable names, with data that
// may not be passed on. A clone without them cannot have them, so here alone a
// run that requires everything may go on without: it says so.
func Private(t testing.TB, variable string) string {
	t.Helper()
	if os.Getenv(variable) == "" {
		t.Skipf("NOT CHECKED: %s does not name the directory with the data of this check, which may not be passed on", variable)
	}
	return Data(t, variable)
}

// Missing skips a test for something that is absent, or fails it if the run
// requires everything.
func Missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CHAFFINCH_REQUIRE") == "1" {
		t.Fatalf("required, but "+format, args...)
	}
	t.Skipf("NOT CHECKED: "+format, args...)
}
