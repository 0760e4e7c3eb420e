package uplinktest

import (
	"context"
	"encoding/binary"
	"fmt"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"testing"
)

// office is the name under which machines find the cluster: one name with the
// addresses of all nodes, which a client tries in turn.
const office = "office.example"

// nodes are the names in the page, with an address of this computer each.
var nodes = []struct {
	name    string
	address [4]byte
}{
	{"node1.office.example", [4]byte{127, 0, 0, 1}},
	{"node2.office.example", [4]byte{127, 0, 0, 2}},
	{"node3.office.example", [4]byte{127, 0, 0, 3}},
}

// The whole test binary asks our name server from its start on: a resolver that
// changes while others look up names is a race.
func TestMain(m *testing.M) {
	if err := nameServer(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// nameServer answers for the names of the page as a name server does (RFC 1035),
// and lets the addresses of the office take turns.
func nameServer() error {
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	go func() {
		var turn int
		for buf := make([]byte, 1500); ; {
			n, from, err := conn.ReadFrom(buf)
			if err != nil {
				return
			}
			if a := answer(buf[:n], turn); a != nil {
				_, _ = conn.WriteTo(a, from)
			}
			turn++
		}
	}()
	net.DefaultResolver = &net.Resolver{PreferGo: true, Dial: func(ctx context.Context, _, _ string) (net.Conn, error) {
		asked.Add(1)
		return (&net.Dialer{}).DialContext(ctx, "udp", conn.LocalAddr().String())
	}}
	return nil
}

var asked atomic.Int64

// answer is the answer to a question for one name; only addresses of IPv4 exist.
func answer(q []byte, turn int) []byte {
	if len(q) < 17 || binary.BigEndian.Uint16(q[4:]) != 1 {
		return nil
	}
	end, name := 12, ""
	for q[end] != 0 {
		if end+int(q[end])+5 >= len(q) {
			return nil
		}
		name += "." + string(q[end+1:end+1+int(q[end])])
		end += 1 + int(q[end])
	}
	kind := binary.BigEndian.Uint16(q[end+1:])
	name = strings.ToLower(strings.TrimPrefix(name, "."))
	var found [][4]byte
	for i := range nodes {
		if n := nodes[(i+turn)%len(nodes)]; n.name == name || name == office {
			found = append(found, n.address)
		}
	}
	a := append([]byte(nil), q[:end+5]...)
	a[2], a[3] = 0x84|q[2]&1, 0x80
	for i := 6; i < 12; i++ {
		a[i] = 0
	}
	if len(found) == 0 {
		a[3] |= 3 // there is no such name
	}
	if kind != 1 {
		return a
	}
	a[7] = byte(len(found))
	for _, f := range found {
		a = append(a, 0xC0, 12, 0, 1, 0, 1, 0, 0, 0, 0, 0, 4) // the name above, A, IN, for 0 s
		a = append(a, f[:]...)
	}
	return a
}
