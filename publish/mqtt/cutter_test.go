package mqtt

import (
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
)

// cutter stands between the uplink and a broker. It ends the first few
// connections in the middle of a message: by turns before the broker has it,
// and right before the acknowledgement passes.
type cutter struct {
	net.Listener
	to   string
	few  int
	cut  atomic.Int64
	wg   sync.WaitGroup
	conn atomic.Pointer[net.Conn]
}

func newCutter(t *testing.T, to string, few int) *cutter {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{Listener: ln, to: to, few: few}
	c.wg.Go(c.serve)
	t.Cleanup(func() {
		ln.Close()
		c.drop()
		c.wg.Wait()
	})
	return c
}

// drop ends the connection that stands.
func (c *cutter) drop() {
	if conn := c.conn.Load(); conn != nil {
		(*conn).Close()
	}
}

func (c *cutter) serve() {
	for n := 0; ; n++ {
		client, err := c.Accept()
		if err != nil {
			return
		}
		c.conn.Store(&client)
		broker, err := net.Dial("tcp", c.to)
		if err != nil {
			client.Close()
			continue
		}
		few := -1 // packets that pass; PUBLISH and PUBACK of QoS 1 begin so:
		if n < c.few {
			few = 4 + n%5
		}
		publishes, acks := "\x32", "\x40"
		if n%2 == 0 {
			publishes = "none"
		} else {
			acks = "none"
		}
		c.wg.Go(func() { c.pass(broker, client, publishes, few) })
		c.wg.Go(func() { c.pass(client, broker, acks, few) })
	}
}

// pass copies until few reads that begin with mark have passed. There is one
// message in flight, so a read is a packet.
func (c *cutter) pass(to, from net.Conn, mark string, few int) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 4096)
	for {
		k, err := from.Read(buf)
		if err != nil {
			return
		}
		if strings.HasPrefix(string(buf[:k]), mark) {
			if few == 0 {
				c.cut.Add(1)
				return
			}
			few--
		}
		to.Write(buf[:k])
	}
}
