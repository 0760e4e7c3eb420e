package onkernel

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"
)

// watch has a client of others, mosquitto_sub, write down the live values.
func (g *guest) watch() {
	g.t.Helper()
	g.sh("mosquitto_sub -h 127.0.0.1 -t 'chaffinch/v1/+/live' -F %p >/tmp/live 2>/shared/watch.said & sleep 2")
}

// shown is a condition in the guest: the newest live values have the text (a
// basic regular expression).
func shown(text string) string { return fmt.Sprintf("tail -n 1 /tmp/live | grep -q '%s'", text) }

// listens is the same for a bus on which frames come and nothing is wrong.
const listens = `tail -n 1 /tmp/live | grep '"bus":{"state":"up","frames_per_s":[1-9]' | grep -v -q bus-away`

// events counts the phases of stored events by kind, and holds the ids to be
// one event's each.
func (g *guest) events(name string) map[string]int {
	g.t.Helper()
	g.sh("cp /tmp/" + name + ".db /shared/")
	count := map[string]int{}
	kinds := map[string]string{}
	for _, r := range told(g.t, ours(g.t, "export", "--all", "--format", "jsonl", "--store", g.path(name+".db"))) {
		if r["record"] != "event" {
			continue
		}
		var m struct {
			Phase string
			Event struct{ ID, Kind string }
		}
		text, err := json.Marshal(r["message"])
		if err != nil {
			g.t.Fatal(err)
		}
		if err := json.Unmarshal(text, &m); err != nil {
			g.t.Fatal(err)
		}
		if was := kinds[m.Event.ID]; was != "" && was != m.Event.Kind {
			g.t.Errorf("%s is a name of %s and of %s", m.Event.ID, was, m.Event.Kind)
		}
		kinds[m.Event.ID] = m.Event.Kind
		count[m.Event.Kind+" "+m.Phase]++
	}
	return count
}

// Promise: whatever happens to the interface, the daemon goes on and takes it up
// again within 5 s of its coming back; the fault is shown and goes; no event is told twice.
func TestTheInterfaceGoesAndComes(t *testing.T) {
	t.Parallel()
	g := bootWithBus(t, "amd64")
	log, config := harvest(t, "testdata/harvest.toml")
	g.run("daemon", config)
	g.watch()
	g.give(log, "harvest.log")
	g.sh("canplayer -l i -I /shared/harvest.log can1=can0 >/dev/null 2>&1 &")
	g.until(5*time.Second, listens)

	lost := func(what, do, text string, after time.Duration, back string) {
		t.Helper()
		// One order, or the time between two would be nobody's.
		g.sh(do)
		noticed := g.until(5*time.Second, shown(text))
		g.sh(fmt.Sprintf("sleep %g", after.Seconds()))
		g.sh(back)
		t.Logf("%s: shown after %v, taken up %v after it was back", what, noticed, g.until(5*time.Second, listens))
	}
	lost("link down for 10 s", "ip link set can0 down", "can0 is down", 10*time.Second, "ip link set can0 up")
	lost("driver taken from the controller and given back", "readlink -f /sys/class/net/can0/device >/tmp/where; basename $(cat /tmp/where) > /sys/bus/pci/drivers/kvaser_pci/unbind",
		"can0 is absent", 3*time.Second, "basename $(cat /tmp/where) > /sys/bus/pci/drivers/kvaser_pci/bind; "+listenOnCan0)

	g.order("device_del", map[string]any{"id": "first"})
	t.Logf("controller pulled out: shown after %v", g.until(10*time.Second, shown("can0 is absent")))
	g.order("device_add", map[string]any{"driver": "kvaser_pci", "canbus": "bus", "id": "again", "addr": "12"})
	g.until(10*time.Second, "ip link show can0")
	g.sh(listenOnCan0)
	t.Logf("another one put in: taken up after %v", g.until(5*time.Second, listens))

	lost("bit rate not that of the configuration", "ip link set can0 down; ip link set can0 type can bitrate 500000 listen-only on; ip link set can0 up",
		"can0 is set to 500000 bit/s, the configuration says 250000", 0, "ip link set can0 down; "+listenOnCan0)
	lost("normal mode", "ip link set can0 down; ip link set can0 type can listen-only off; ip link set can0 up",
		"can0 is not in listen-only mode", 0, "ip link set can0 down; "+listenOnCan0)

	// A reader that stands still: the kernel has room for a while, then drops.
	g.sh("kill -STOP $(cat /tmp/daemon.pid); sleep 10; kill -CONT $(cat /tmp/daemon.pid)")
	g.until(5*time.Second, shown(`"dropped_frames":[1-9]`))
	g.until(5*time.Second, listens)
	t.Logf("after 10 s of standing still: %s", g.sh("tail -n 1 /tmp/live | grep -o '\"bus\":{[^}]*}'"))

	g.stop("daemon")
	if n := strings.Count(g.read("daemon.said"), "msg=starting"); n != 1 {
		t.Errorf("the daemon started %d times", n)
	}
	events := g.events("daemon")
	t.Logf("%v", events)
	if events["bus-silent raised"] == 0 || events["bus-silent raised"] != events["bus-silent ended"] {
		t.Error("each silence is to be told once, and its end once")
	}
}

// What a controller reports of the wire, the emulated ones cannot: they know no
// bits. So error frames in the kernel's form (linux/can/error.h) are sent over
// a pair of virtual interfaces (vxcan), whose other end counts as another
// computer.
func TestErrorsOnTheWire(t *testing.T) {
	t.Parallel()
	g := boot(t, machine{arch: "amd64"})
	g.sh("ip link add can0 type vxcan peer name can1 && ip link set can0 up && ip link set can1 up")
	log, config := harvest(t, "testdata/harvest.toml")
	g.run("daemon", config)
	g.watch()
	errors := func(id, data string) string { return "cansend can1 " + id + "#" + data }

	// A wrong bit rate: protocol violations on the bus, and never a frame.
	g.sh("for i in 1 2 3 4 5; do " + errors("20000088", "0000080000000000") + "; done")
	g.until(5*time.Second, shown("errors but no frames: wrong bit rate or wiring"))

	// The other node goes bus-off and comes back, with frames in between.
	g.give(log, "harvest.log")
	g.sh("canplayer -l i -I /shared/harvest.log can1=can0 >/dev/null 2>&1 &")
	g.until(5*time.Second, listens)
	g.sh(errors("20000040", "0000000000000000") + "; sleep 1; " + errors("20000100", "0000000000000000"))
	g.until(5*time.Second, listens)

	// More than a hundredth: an alarm, within its delay of 10 s, and its end.
	said := func(text string) string {
		return "grep -q '" + text + " kind=bus-errors' /shared/daemon.said"
	}
	g.sh("while [ -e /proc/1 ] && [ ! -e /tmp/enough ]; do " + errors("20000088", "0000080000000000") + "; sleep 0.05; done & true")
	raised := g.until(30*time.Second, said("msg=alert"))
	g.sh("touch /tmp/enough")
	ended := g.until(60*time.Second, said(`msg="alert over"`))
	t.Logf("bus-errors raised after %v, over %v after the last one", raised, ended)
	g.stop("daemon")
	if events := g.events("daemon"); events["bus-errors raised"] != 1 || events["bus-errors ended"] != 1 {
		t.Errorf("events: %v", events)
	}
}

// Another program on this computer that transmits: in listen-only mode the
// kernel does not let it (TestNormalModeIsRefused); in normal mode, which the
// owner has to allow, it is shown.
func TestAnotherProgramThatSendsIsShown(t *testing.T) {
	t.Parallel()
	g := boot(t, machine{arch: "amd64", can: true})
	g.sh("ip link set can0 type can bitrate 250000 && ip link set can0 up && " + sendOnCan1)
	g.run("daemon", "[bus]\nallow_normal_mode = true\n")
	g.watch()
	g.sh("cangen can1 -e -L 8 -g 10 -n 200")
	g.until(5*time.Second, listens)
	g.sh("cansend can0 18FEF100#0011223344556677")
	g.until(5*time.Second, shown("another program on this computer sends on can0: stop it"))
}
