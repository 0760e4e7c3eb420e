package onkernel

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// machine says what computer to make believe.
type machine struct {
	arch string // amd64 or arm64
	can  bool   // two CAN controllers on the bus, can0 and can1
	disk string // the socket of a disk, /dev/vda; none if empty
	date string // what the hardware clock says at the start; now if empty
	// system is the image of a disk, /dev/vda, with a Debian on it that is started.
	system string
}

// guest is a computer that runs. Its folder is /shared in it.
//
// Its time is its own: an instruction takes 4 ns, however long this computer
// needs for it, and where nothing is to be done it goes on to the next timer at
// once. So times measured in it do not depend on what else runs here, and three
// minutes of a bus take one. (With a disk they take three.) Between orders it is stopped, or days would pass.
type guest struct {
	t       *testing.T
	machine machine
	folder  string
	qemu    *exec.Cmd
	monitor *monitor
	ended   chan struct{} // closed when QEMU has ended
	orders  int
}

// orderTime is the most that an order may take.
const orderTime = 5 * time.Minute

// boot starts a computer that has the program in /bin, and waits until it takes
// orders. It is switched off at the end of the test.
func boot(t *testing.T, m machine) *guest {
	t.Helper()
	img, program := prepared(t, m.arch)
	// Not the test's own temporary folder: the path of a socket has to be short.
	folder, err := os.MkdirTemp(builds, "guest-")
	if err != nil {
		t.Fatal(err)
	}
	g := &guest{t: t, machine: m, folder: folder, ended: make(chan struct{})}
	if err := copyFile(program, g.path("chaffinch"), 0o755); err != nil {
		t.Fatal(err)
	}
	name, args := m.command(img, g.folder)
	g.qemu = exec.Command(name, args...)
	said, err := os.Create(g.path("qemu"))
	if err != nil {
		t.Fatal(err)
	}
	g.qemu.Stdout, g.qemu.Stderr = said, said
	began := time.Now()
	if err := g.qemu.Start(); err != nil {
		t.Fatal(err)
	}
	said.Close()
	go func() { g.qemu.Wait(); close(g.ended) }()
	t.Cleanup(func() { g.cut(); os.RemoveAll(folder) })
	g.await("booted", 2*time.Minute)
	if g.monitor, err = openMonitor(g.path("qmp")); err != nil {
		t.Fatal(err)
	}
	g.order("stop", nil)
	t.Logf("%s: the kernel was up after %.1f s, %s s of its own time",
		m.arch, time.Since(began).Seconds(), strings.TrimSpace(g.read("booted")))
	if m.system == "" {
		g.sh("cp /shared/chaffinch /bin/chaffinch")
	}
	return g
}

// command is QEMU's command line.
func (m machine) command(img image, folder string) (string, []string) {
	sleep := "off"
	if m.disk != "" || m.system != "" {
		sleep = "on" // or an age would pass while the disk works
	}
	args := []string{
		"-accel", "tcg", "-smp", "1", "-icount", "shift=2,sleep=" + sleep, "-rtc", "clock=vm" + m.base(), "-m", "512",
		"-nodefaults", "-display", "none", "-no-reboot",
		"-kernel", img.kernel, "-initrd", img.initramfs,
		"-serial", "file:" + filepath.Join(folder, "console"),
		"-virtfs", "local,path=" + folder + ",mount_tag=shared,security_model=none,id=shared",
		"-device", "virtio-rng-pci",
		"-object", "can-bus,id=bus",
		"-qmp", "unix:" + filepath.Join(folder, "qmp") + ",server=on,wait=off",
	}
	if m.can {
		args = append(args, "-device", "kvaser_pci,canbus=bus,id=first,addr=10",
			"-device", "kvaser_pci,canbus=bus,id=second,addr=11")
	}
	if m.disk != "" {
		args = append(args, "-blockdev", "driver=nbd,node-name=disk,server.type=unix,server.path="+m.disk,
			"-device", "virtio-blk-pci,drive=disk,write-cache=on")
	}
	kernel := " quiet panic=-1 rdinit=/init"
	if m.system != "" {
		args = append(args, "-drive", "file="+m.system+",format=raw,if=virtio")
		kernel += " installed"
	}
	if m.arch == "arm64" {
		return "qemu-system-aarch64", append(args, "-M", "virt", "-cpu", "cortex-a57", "-append", "console=ttyAMA0"+kernel)
	}
	return "qemu-system-x86_64", append(args, "-append", "console=ttyS0"+kernel)
}

// base is the date of the hardware clock.
func (m machine) base() string {
	if m.date == "" {
		return ""
	}
	return ",base=" + m.date
}

func (g *guest) path(name string) string { return filepath.Join(g.folder, name) }

func (g *guest) read(name string) string {
	g.t.Helper()
	text, err := os.ReadFile(g.path(name))
	if err != nil {
		g.t.Fatal(err)
	}
	return string(text)
}

func (g *guest) write(name, text string) {
	g.t.Helper()
	if err := os.WriteFile(g.path(name), []byte(text), 0o644); err != nil {
		g.t.Fatal(err)
	}
}

// give puts a file of the host into the guest's folder.
func (g *guest) give(from, name string) {
	g.t.Helper()
	if err := copyFile(from, g.path(name), 0o644); err != nil {
		g.t.Fatal(err)
	}
}

// await waits until a file is in the guest's folder.
func (g *guest) await(name string, most time.Duration) {
	g.t.Helper()
	for deadline := time.Now().Add(most); ; time.Sleep(10 * time.Millisecond) {
		if _, err := os.Stat(g.path(name)); err == nil {
			return
		}
		select {
		case <-g.ended:
			g.t.Fatalf("the guest ended before %s came; the console's end:\n%s", name, g.console())
		default:
		}
		if time.Now().After(deadline) {
			g.t.Fatalf("no %s after %v; the console's end:\n%s", name, most, g.console())
		}
	}
}

func (g *guest) console() string {
	text, _ := os.ReadFile(g.path("console"))
	qemu, _ := os.ReadFile(g.path("qemu"))
	return string(text[max(0, len(text)-4000):]) + string(qemu)
}

// begin has the guest begin a script, and goes on.
func (g *guest) begin(script string) {
	g.t.Helper()
	name := strconv.Itoa(g.orders)
	g.orders++
	g.write(name+".part", script)
	if err := os.Rename(g.path(name+".part"), g.path(name+".sh")); err != nil {
		g.t.Fatal(err)
	}
	g.order("cont", nil)
}

// end waits for the script that was begun, and gives what it said and its exit code.
func (g *guest) end() (said string, exit int) {
	g.t.Helper()
	name := strconv.Itoa(g.orders - 1)
	g.await(name+".exit", orderTime)
	g.order("stop", nil)
	exit, err := strconv.Atoi(strings.TrimSpace(g.read(name + ".exit")))
	if err != nil {
		g.t.Fatal(err)
	}
	return g.read(name + ".out"), exit
}

// try runs a script in the guest and gives what it said and its exit code.
func (g *guest) try(script string) (said string, exit int) {
	g.t.Helper()
	g.begin(script)
	return g.end()
}

// sh runs a script in the guest that must do well, and gives what it said.
func (g *guest) sh(script string) string {
	g.t.Helper()
	said, exit := g.try(script)
	if exit != 0 {
		g.t.Fatalf("in the guest: exit code %d of\n%s\n%s", exit, script, said)
	}
	return said
}

// number runs a script in the guest that says a number.
func (g *guest) number(script string) int {
	g.t.Helper()
	n, err := strconv.Atoi(strings.TrimSpace(g.sh(script)))
	if err != nil {
		g.t.Fatalf("%s: %v", script, err)
	}
	return n
}

// until waits until a script in the guest does well, and gives how long that
// took there.
func (g *guest) until(most time.Duration, script string) time.Duration {
	g.t.Helper()
	said, exit := g.try(waitFor(most, script))
	if exit != 0 {
		g.t.Errorf("not within %v: %s %s", most, script, said)
		return most
	}
	return parseSeconds(g.t, said)
}

// waitFor is a script that waits until another does well, and says how many
// seconds that took.
func waitFor(most time.Duration, script string) string {
	return fmt.Sprintf(`renice -n 19 -p $$ >/dev/null # asking must not slow down what is waited for
uptime() { cut -d ' ' -f 1 /proc/uptime | tr -d .; }
began=$(uptime)
until %s; do
  if [ $(( $(uptime) - began )) -gt %d ]; then exit 1; fi
  sleep 0.02
done >/dev/null 2>&1
passed=$(( $(uptime) - began ))
echo $((passed / 100)).$(printf %%02d $((passed %% 100)))
`, script, most.Milliseconds()/10)
}

func parseSeconds(t *testing.T, said string) time.Duration {
	t.Helper()
	d, err := time.ParseDuration(strings.TrimSpace(said) + "s")
	if err != nil {
		t.Fatalf("no seconds: %q", said)
	}
	return d
}

// cut takes the power away.
func (g *guest) cut() {
	g.qemu.Process.Kill()
	<-g.ended
}

// order gives QEMU's monitor an order.
func (g *guest) order(command string, arguments map[string]any) {
	g.t.Helper()
	if err := g.monitor.order(command, arguments); err != nil {
		g.t.Fatalf("monitor: %s: %v\n%s", command, err, g.console())
	}
}
