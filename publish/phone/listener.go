package phone

import (
	"crypto/tls"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

const (
	// mostConns is how many connections there are at once, mostStrangers how
	// many of one address that no paired device has spoken on.
	mostConns     = 256
	mostStrangers = 64
	// mostOfDevice is how many connections of one device are kept from giving
	// way to others. A browser opens six.
	mostOfDevice = 12
	// sendBuffer bounds what the kernel takes for a client that does not read.
	sendBuffer = 32 << 10
	// unacknowledged is how long what was sent may go unacknowledged: a phone
	// that went out of reach is noticed then, and not after a quarter of an hour.
	unacknowledged = 15 * time.Second
)

// listener bounds the connections. When there is no room, the one of a stranger
// that has been there for longest gives way to the new one, so that no number
// of idle strangers keeps a paired phone out.
type listener struct {
	net.Listener
	most, mostStrangers int

	mu    sync.Mutex
	conns []*conn // oldest first

	evicted, refused atomic.Int64
}

// conn is a connection that the listener has taken in.
type conn struct {
	net.Conn
	of     *listener
	from   netip.Addr
	device string // id of the paired device that has spoken on it; under of.mu
	once   sync.Once
}

func newListener(ln net.Listener) *listener {
	return &listener{Listener: ln, most: mostConns, mostStrangers: mostStrangers}
}

// Accept waits for the next connection that there is room for.
func (l *listener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		one := &conn{Conn: c, of: l, from: addressOf(c.RemoteAddr())}
		old, ok := l.admit(one)
		if old != nil {
			l.evicted.Add(1)
			old.Close()
		}
		if ok {
			bound(c)
			return one, nil
		}
		l.refused.Add(1)
		c.Close()
	}
}

// admit takes a connection in, and tells which one has to go for it.
func (l *listener) admit(c *conn) (old *conn, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	same, oldest, oldestSame := 0, -1, -1
	for i, o := range l.conns {
		if o.device != "" {
			continue
		}
		if oldest < 0 {
			oldest = i
		}
		if o.from == c.from {
			same++
			if oldestSame < 0 {
				oldestSame = i
			}
		}
	}
	leaves := -1
	switch {
	case same >= l.mostStrangers:
		leaves = oldestSame
	case len(l.conns) >= l.most && oldest < 0:
		return nil, false
	case len(l.conns) >= l.most:
		leaves = oldest
	}
	if leaves >= 0 {
		old = l.conns[leaves]
		l.conns = append(l.conns[:leaves], l.conns[leaves+1:]...)
	}
	l.conns = append(l.conns, c)
	return old, true
}

// known notes that a paired device has spoken on a connection.
func (l *listener) known(c *conn, device string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if c.device == device {
		return
	}
	n := 0
	for _, o := range l.conns {
		if o.device == device {
			n++
		}
	}
	if n < mostOfDevice {
		c.device = device
	}
}

// count is how many connections there are.
func (l *listener) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.conns)
}

// Close ends the connection.
func (c *conn) Close() error {
	c.once.Do(func() {
		c.of.mu.Lock()
		defer c.of.mu.Unlock()
		for i, o := range c.of.conns {
			if o == c {
				c.of.conns = append(c.of.conns[:i], c.of.conns[i+1:]...)
				return
			}
		}
	})
	return c.Conn.Close()
}

// inner is the connection that the listener took in, below any TLS.
func inner(c net.Conn) *conn {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	one, _ := c.(*conn)
	return one
}

// bound lets the kernel neither hold much for a client nor wait long for it.
// Where it cannot be had, the deadlines of the server still hold.
func bound(c net.Conn) {
	t, ok := c.(*net.TCPConn)
	if !ok {
		return
	}
	_ = t.SetWriteBuffer(sendBuffer)
	raw, err := t.SyscallConn()
	if err != nil {
		return
	}
	_ = raw.Control(func(fd uintptr) {
		_ = unix.SetsockoptInt(int(fd), syscall.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(unacknowledged/time.Millisecond))
	})
}

func addressOf(a net.Addr) netip.Addr {
	if a == nil {
		return netip.Addr{}
	}
	p, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return netip.Addr{}
	}
	return p.Addr().Unmap().WithZone("")
}
