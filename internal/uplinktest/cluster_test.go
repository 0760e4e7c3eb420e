package uplinktest

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"chaffinch/internal/outside"
	"chaffinch/publish/mqtt"
)

// cluster is three nodes in this process, each with the configuration of the
// page in a folder of its own.
type cluster struct {
	t       *testing.T
	folder  string
	port    string // of MQTT
	running [3]*server.Server
}

// anyMachine is the machine that the page has as an example.
const anyMachine = "west-2"

// newCluster starts a cluster that knows the office and the machines.
func newCluster(t *testing.T, machines []string) *cluster {
	t.Helper()
	c := &cluster{t: t, folder: folder(t)}
	certificates(t, c.folder)
	port := func() string {
		_, p, err := net.SplitHostPort(outside.FreePort(t))
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	c.port = port()
	text := replaced(t, block(t, "conf nats"), "8883", c.port, "6222", port(), "4222", port(),
		`"office.pem"`, quoted(c.folder, "office.pem"), `"office-key.pem"`, quoted(c.folder, "office-key.pem"), `"ca.pem"`, quoted(c.folder, "ca.pem"))
	write(t, c.folder, "nats.conf", text)
	write(t, c.folder, "machines.conf", machinesOf(t, machines))
	t.Cleanup(func() {
		for i := range nodes {
			c.stop(i)
		}
	})
	for i := range nodes {
		c.start(i)
	}
	waitFor(t, 30*time.Second, "the three nodes agree on a leader", func() bool {
		for _, s := range c.running {
			if s.JetStreamIsLeader() {
				return len(s.JetStreamClusterPeers()) == len(nodes)
			}
		}
		return false
	})
	return c
}

func quoted(folder, name string) string { return fmt.Sprintf("%q", filepath.Join(folder, name)) }

// machinesOf is the page's list of users with the example repeated for each
// machine.
func machinesOf(t *testing.T, machines []string) string {
	t.Helper()
	text := block(t, "conf machines")
	one := regexp.MustCompile(`(?ms)^ *\{ user: "west-2".*?\} \}\n`).FindString(text)
	if one == "" {
		t.Fatalf("%s has no user %s any more", page, anyMachine)
	}
	var all strings.Builder
	for _, name := range machines {
		all.WriteString(replaced(t, one, "WEST-2-PASSWORD", passwordOf(name), anyMachine, name))
	}
	return replaced(t, text, one, all.String(), "OFFICE-PASSWORD", passwordOf("office"))
}

func passwordOf(name string) string { return "only for the test " + name }

// start starts a node, anew or again.
func (c *cluster) start(i int) {
	c.t.Helper()
	os.Setenv("NODE", nodes[i].name) // the page says so; Setenv of testing forbids tests beside
	os.Setenv("DATA", filepath.Join(c.folder, nodes[i].name))
	o, err := server.ProcessConfigFile(filepath.Join(c.folder, "nats.conf"))
	if err != nil {
		c.t.Fatal(err)
	}
	o.NoSigs = true
	s, err := server.NewServer(o)
	if err != nil {
		c.t.Fatal(err)
	}
	if testing.Verbose() {
		s.SetLogger(&nodeLog{c.t, nodes[i].name}, false, false)
	}
	c.running[i] = s
	s.Start()
	if !s.ReadyForConnections(20 * time.Second) {
		c.t.Fatalf("%s does not start", nodes[i].name)
	}
}

// stop ends a node.
func (c *cluster) stop(i int) {
	if s := c.running[i]; s != nil {
		s.Shutdown()
		s.WaitForShutdown()
		c.running[i] = nil
	}
}

// nodeAt is the node that listens at an address.
func nodeAt(address string) int {
	for i := range nodes {
		if net.IP(nodes[i].address[:]).String() == address {
			return i
		}
	}
	return -1
}

// server is how a machine reaches the cluster.
func (c *cluster) server(name string) mqtt.Server {
	c.t.Helper()
	return mqtt.Server{
		Broker: "mqtts://" + office + ":" + c.port, CAFile: filepath.Join(c.folder, "ca.pem"),
		Username: name, PasswordFile: write(c.t, c.folder, name+".password", passwordOf(name)+"\n"),
	}
}

// nodeLog shows what a node warns of.
type nodeLog struct {
	t    *testing.T
	name string
}

func (l *nodeLog) say(format string, v ...any) {
	fmt.Printf("%s: "+format+"\n", append([]any{l.name}, v...)...)
}

func (l *nodeLog) Noticef(string, ...any)         {}
func (l *nodeLog) Warnf(format string, v ...any)  { l.say(format, v...) }
func (l *nodeLog) Fatalf(format string, v ...any) { l.say(format, v...) }
func (l *nodeLog) Errorf(format string, v ...any) { l.say(format, v...) }
func (l *nodeLog) Debugf(string, ...any)          {}
func (l *nodeLog) Tracef(string, ...any)          {}

// well tells whether a node has all that the others have, by its own word.
func (c *cluster) well(i int) bool {
	s := c.running[i]
	return s.JetStreamIsCurrent() && s.Healthz(nil).Status == "ok"
}
