package onkernel

import (
	"strings"
	"testing"
	"time"
)

// Promise: the program transmits nothing. It is held to what the kernel and the
// driver count at the interface, while a harvest is heard and everything runs,
// and to what a listener on the other controller hears.
//
// The emulated controllers pass whole frames and know no bits: they acknowledge
// nothing in any mode, and a node that is alone with a listener gets its frame
// sent all the same. That a controller in listen-only mode gives no acknowledge
// is in its data sheet and can be seen only on a bench with real ones.
func TestNothingIsSent(t *testing.T) {
	t.Parallel()
	g := bootWithBus(t, "amd64")
	log, config := harvest(t, "testdata/harvest.toml")
	g.run("listening", config)
	g.give(log, "harvest.log")
	g.sh("candump -l can1,0:0,#FFFFFFFF >/dev/null 2>&1 & echo $! >/tmp/candump.pid; sleep 1")
	g.sh("timeout 30 canplayer -I /shared/harvest.log can1=can0; true") // timeout has no exit code of its own here
	g.stop("listening")
	g.sh("kill -INT $(cat /tmp/candump.pid); sleep 1; cat candump*.log > /shared/can1.log")

	heard := g.count("can0", "rx_packets")
	if heard < 5000 {
		t.Fatalf("can0 heard %d frames: the test proves nothing", heard)
	}
	for _, counter := range []string{"tx_packets", "tx_bytes", "tx_errors", "tx_dropped"} {
		if n := g.count("can0", counter); n != 0 {
			t.Errorf("%s of can0 is %d", counter, n)
		}
	}
	// What candump heard on can1 is what canplayer sent there, and no more.
	if n, sent := strings.Count(g.read("can1.log"), "\n"), g.count("can1", "tx_packets"); n != sent || sent != heard {
		t.Errorf("on the bus were %d frames, of which %d were sent by can1, and can0 heard %d", n, sent, heard)
	}
	if n := g.count("can1", "rx_packets"); n != 0 {
		t.Errorf("can1 received %d frames", n)
	}
	t.Logf("can0 heard %d frames and sent none\n%s", heard, g.sh("ip -details -statistics link show can0"))

	// The counters count: a frame of another program is told of.
	g.sh("ip link set can0 down; ip link set can0 type can listen-only off; ip link set can0 up; cansend can0 123#00; sleep 1")
	if n := g.count("can0", "tx_packets"); n != 1 {
		t.Errorf("one frame was sent on can0 in normal mode, and its counter says %d", n)
	}
}

// count reads a counter of an interface.
func (g *guest) count(iface, counter string) int {
	g.t.Helper()
	return g.number("cat /sys/class/net/" + iface + "/statistics/" + counter)
}

// Promise: an interface that is up in normal mode is refused, with what to do,
// and taken up when it is mended. The kernel, not we, says which mode it is in.
func TestNormalModeIsRefused(t *testing.T) {
	t.Parallel()
	g := boot(t, machine{arch: "amd64", can: true})
	g.sh("ip link set can0 type can bitrate 250000 && ip link set can0 up && " + sendOnCan1)
	g.run("refusing", "")
	g.until(5*time.Second, said("refusing", "cannot listen to the bus.*can0 is not in listen-only mode", 1))
	before := g.count("can0", "rx_packets")
	g.sh("cangen can1 -e -L 8 -g 10 -n 100; sleep 1")
	if n := g.count("can0", "rx_packets") - before; n != 100 {
		t.Errorf("can0 received %d of 100 frames: the test proves nothing", n)
	}
	t.Logf("%s", g.read("refusing.said"))
	took := g.until(5*time.Second, "(ip link set can0 down; ip link set can0 type can listen-only on; ip link set can0 up); "+
		said("refusing", "listening to the bus", 1))
	t.Logf("taken up %v after it was mended", took)
	// In listen-only mode the kernel itself lets no program send.
	g.try("cansend can0 123#00; sleep 1")
	if n := g.count("can0", "tx_packets"); n != 0 {
		t.Errorf("%d frames were sent in listen-only mode", n)
	}
}
