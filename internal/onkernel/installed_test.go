package onkernel

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/internal/outside"
)

// The package as an owner installs it, in a Debian with systemd, on a computer with
// CAN controllers, with everything that its unit forbids it. It takes some minutes and root, so
// it is run by hand, with the package that CHAFFINCH_DEB names:
//
//	make deb && CHAFFINCH_DEB=$(ls -t $PWD/dist/*_amd64.deb | head -n 1) go test ./internal/onkernel -run Installed -v
func TestInstalled(t *testing.T) {
	deb := os.Getenv("CHAFFINCH_DEB")
	if deb == "" {
		t.Skip("NOT CHECKED: CHAFFINCH_DEB does not name a Debian package of chaffinch for amd64")
	}
	outside.Tool(t, "debootstrap")
	outside.Tool(t, "mke2fs")
	log, _ := harvest(t, "testdata/harvest.toml")
	cache, err := cacheFolder()
	if err != nil {
		t.Fatal(err)
	}
	system := filepath.Join(builds, "system.img")
	if said, err := exec.Command("sh", "testdata/install.sh", cache, deb, system).CombinedOutput(); err != nil {
		t.Fatalf("install.sh: %v\n%s", err, said)
	}
	m := machine{arch: "amd64", can: true, system: system}
	g := boot(t, m)
	g.until(time.Minute, "systemctl -q is-active chaffinch")
	show := func(property string) string {
		return strings.TrimSpace(g.sh("systemctl show --value -p " + property + " chaffinch"))
	}
	t.Logf("after the start: %s; %s", show("StatusText"), strings.TrimSpace(g.sh("systemd-analyze time || true")))

	// The interface was set up by networkd, listen-only, and is listened to.
	g.until(20*time.Second, "ip -details link show can0 | grep -q LISTEN-ONLY && ip link show up | grep -q can0")
	g.until(10*time.Second, hears)
	t.Logf("%s", g.sh("ip -details link show can0"))
	g.until(10*time.Second, pageAnswers)
	g.give(log, "harvest.log")
	g.sh(sendOnCan1)
	g.sh("timeout 100 canplayer -I /shared/harvest.log can1=can0 || true")
	status, exit := g.try("chaffinch status")
	t.Logf("chaffinch status: exit code %d\n%s", exit, status)
	if n := g.count("can0", "tx_packets"); n != 0 {
		t.Errorf("%d frames were sent on can0", n)
	}
	said := g.sh("journalctl -u chaffinch --no-pager -o cat")
	t.Logf("%s", said)
	for _, kind := range []string{"fault-code", "engine-overload"} {
		if !strings.Contains(said, "msg=alert kind="+kind) {
			t.Errorf("no alert of %s in the journal", kind)
		}
	}

	// A daemon that hangs is ended by the watchdog, and one that died is started again.
	g.sh("kill -STOP " + show("MainPID"))
	t.Logf("a daemon that stands still is started again after %v",
		g.until(30*time.Second, "[ $(systemctl show --value -p NRestarts chaffinch) = 1 ] && systemctl -q is-active chaffinch"))
	g.sh("kill -KILL " + show("MainPID"))
	t.Logf("one that was killed after %v",
		g.until(10*time.Second, "[ $(systemctl show --value -p NRestarts chaffinch) = 2 ] && systemctl -q is-active chaffinch"))

	stopped := parseSeconds(t, g.sh("systemctl stop --no-block chaffinch;"+waitFor(10*time.Second, "! systemctl -q is-active chaffinch && [ $(systemctl show --value -p ActiveState chaffinch) = inactive ]")))
	t.Logf("stopped in %v, result %s", stopped, show("Result"))
	if result := show("Result"); result != "success" {
		t.Errorf("the stop ended with %s", result)
	}
	g.sh("chaffinch check-store /var/lib/chaffinch/chaffinch.db && systemctl start chaffinch")

	// The computer is started again, as by its switch.
	g.begin("systemctl --no-block reboot; sleep 60")
	select {
	case <-g.ended:
	case <-time.After(3 * time.Minute):
		t.Fatalf("the computer does not go down:\n%s", g.console())
	}
	g = boot(t, m)
	g.until(time.Minute, "systemctl -q is-active chaffinch")
	g.until(20*time.Second, hears)
	journal := g.sh("journalctl -u chaffinch --no-pager -o cat | grep 'store open'")
	t.Logf("after the reboot: %s", journal)
}
