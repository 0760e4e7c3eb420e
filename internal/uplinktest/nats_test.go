package uplinktest

import (
	"fmt"
	"testing"
	"time"
)

func fleetNames(n int) (names []string) {
	for i := range n {
		names = append(names, fmt.Sprintf("combine-%d", i+1))
	}
	return names
}

func allTell(t *testing.T, fleet []*machine, each int) {
	t.Helper()
	for range each {
		for _, m := range fleet {
			m.tells(t)
		}
	}
}

// Many machines send to a cluster of three nodes of NATS, which others wrote, as
// the page has it. The node that the office is connected to ends in the middle,
// and comes back; then another one does. In between, ten machines lose their
// power before they have noted what was sent. Nothing is lost, each machine's
// messages are in order, and what comes again is known by its id.
func TestManyMachinesToAClusterThatLosesNodes(t *testing.T) {
	if testing.Short() {
		t.Skip("NOT CHECKED: a cluster that loses nodes takes longer than a short run may")
	}
	const machines, each, cut = 200, 10, 10
	names := fleetNames(machines)
	c := newCluster(t, names)
	box := collect(t, c.server("office"))
	dir := folder(t)
	var fleet []*machine
	for _, name := range names {
		fleet = append(fleet, newMachine(t, name, dir, c.server(name)))
	}
	const total = machines * 4 * each
	allTell(t, fleet, each)
	waitFor(t, 20*time.Second, "some are here", func() bool { return box.count() > total/8 })
	first := nodeAt(box.address())
	c.stop(first)
	allTell(t, fleet, each)
	waitFor(t, 30*time.Second, "more are here", func() bool { return box.count() > total/2-total/16 })
	c.start(first)
	waitFor(t, 30*time.Second, "the node has caught up", func() bool { return c.well(first) })

	delivered(t, box, fleet)
	for _, m := range fleet[:cut] {
		m.stop()
		m.forgets = true
		m.run()
	}
	allTell(t, fleet, each)
	delivered(t, box, fleet[cut:])
	waitFor(t, 20*time.Second, "those whose power goes have sent some", func() bool {
		for _, m := range fleet[:cut] {
			if m.uplink.Health().Sent < each {
				return false
			}
		}
		return true
	})
	for _, m := range fleet[:cut] {
		m.stop()
		m.forgets = false
		m.run()
	}
	second := (first + 1) % len(nodes)
	c.stop(second)
	allTell(t, fleet, each)
	sum := delivered(t, box, fleet)
	c.start(second)
	if sum.here != total || sum.late > 0 {
		t.Errorf("%d of %d messages came, %d of them late", sum.here, total, sum.late)
	}
	if sum.again < cut*each {
		t.Errorf("%d messages came again, of %d that were sent twice", sum.again, cut*each)
	}
	t.Logf("%d machines, %d messages over two ends of a node and %d power cuts: %d came, %d again, %d late; the office lost its connection %d times",
		machines, total, cut, sum.here, sum.again, sum.late, box.losses())
}

// A topic that a machine may not write to is acknowledged all the same, and
// nothing is kept: MQTT 3.1.1 (3.3.5) lets a server do so, and the page warns. The
// office here is the page's own command.
func TestWhatMayNotBeWrittenIsAcknowledged(t *testing.T) {
	t.Parallel()
	c := newCluster(t, []string{"combine-1", "combine-2"})
	box := &inbox{t, c.folder, c.port}
	box.open()
	dir := folder(t)
	right := newMachine(t, "combine-1", dir, c.server("combine-1"))
	wrong := newMachine(t, "combine-3", dir, c.server("combine-2"))
	tell := func() { allTell(t, []*machine{right, wrong}, 5) }
	waitFor(t, 20*time.Second, "the office gets what may be written", func() bool {
		if !right.waits() {
			tell() // what came before the office's session is kept for nobody
		}
		return box.tally([]*machine{right}).here > 0
	})
	waitFor(t, 10*time.Second, "what may not is acknowledged", func() bool { return !wrong.waits() })
	tell()
	waitFor(t, 10*time.Second, "all of the other one is here", func() bool { return box.hasNewest([]*machine{right}) })
	if n := box.tally([]*machine{wrong}).here; n != 0 {
		t.Errorf("%d messages came that the rules do not allow", n)
	}
}

// delivered waits until the office has all, and returns what came of it.
func delivered(t *testing.T, box *collector, fleet []*machine) (sum tally) {
	t.Helper()
	total := 0
	for _, m := range fleet {
		total += len(m.ids)
	}
	for end := time.Now().Add(40 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		sum = tally{}
		waiting := 0
		for _, m := range fleet {
			n := box.has(m)
			sum.here, sum.again, sum.late = sum.here+n.here, sum.again+n.again, sum.late+n.late
			if m.waits() {
				waiting++
			}
		}
		if sum.here == total && waiting == 0 {
			return sum
		}
		if time.Now().After(end) {
			t.Fatalf("%d of %d messages are lost, %d machines still have some to send", total-sum.here, total, waiting)
		}
	}
}
