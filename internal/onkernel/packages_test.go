package onkernel

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// programs are the Debian packages in the guest, beside the kernel.
var programs = []string{"busybox-static", "can-utils", "dash", "iproute2", "mosquitto-clients"}

// unpack downloads the kernel of an architecture and the programs with all that
// they depend on, and unpacks them into root. It uses the system's list of
// servers, but lists, status and cache of its own.
func unpack(arch, work, root string) error {
	apt, err := newApt(arch, work)
	if err != nil {
		return err
	}
	if err := apt.run("apt-get", "update", "-q"); err != nil {
		return err
	}
	kernel, err := apt.kernel()
	if err != nil {
		return err
	}
	// The kernel alone: what it depends on serves to install it.
	if err := apt.run("apt-get", "download", "-q", kernel); err != nil {
		return err
	}
	install := append([]string{"install", "--download-only", "-y", "-q", "--no-install-recommends"}, programs...)
	if err := apt.run("apt-get", install...); err != nil {
		return err
	}
	packages, err := filepath.Glob(filepath.Join(apt.archives, "*.deb"))
	if err != nil {
		return err
	}
	for _, p := range packages {
		if err := apt.run("dpkg-deb", "-x", p, root); err != nil {
			return err
		}
	}
	return nil
}

// apt is a package manager that knows another computer: an empty one.
type apt struct{ arch, conf, archives string }

func newApt(arch, work string) (*apt, error) {
	a := &apt{arch: arch, conf: filepath.Join(work, "apt.conf"), archives: filepath.Join(work, "cache/archives")}
	for _, dir := range []string{"state/lists/partial", "cache/archives/partial"} {
		if err := os.MkdirAll(filepath.Join(work, dir), 0o755); err != nil {
			return nil, err
		}
	}
	if err := os.WriteFile(filepath.Join(work, "status"), nil, 0o644); err != nil {
		return nil, err
	}
	text := fmt.Sprintf(`APT::Architecture %q;
#clear APT::Architectures;
APT::Architectures { %q; };
APT::Sandbox::User "";
Dir::State %q;
Dir::State::status %q;
Dir::Cache %q;
Debug::NoLocking "true";
`, arch, arch, filepath.Join(work, "state"), filepath.Join(work, "status"), filepath.Join(work, "cache"))
	return a, os.WriteFile(a.conf, []byte(text), 0o644)
}

func (a *apt) command(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Dir = a.archives
	cmd.Env = append(os.Environ(), "APT_CONFIG="+a.conf, "LC_ALL=C")
	return cmd
}

func (a *apt) run(name string, args ...string) error {
	if said, err := a.command(name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w:\n%s", name, strings.Join(args, " "), err, said)
	}
	return nil
}

// kernel is the package of Debian's present kernel.
func (a *apt) kernel() (string, error) {
	out, err := a.command("apt-cache", "depends", "linux-image-"+a.arch).Output()
	if err != nil {
		return "", fmt.Errorf("apt-cache depends linux-image-%s: %w", a.arch, err)
	}
	for line := range bytes.Lines(out) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(string(line)), "Depends: "); ok {
			return name, nil
		}
	}
	return "", fmt.Errorf("apt-cache names no kernel for %s", a.arch)
}
