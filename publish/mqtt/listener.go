package mqtt

import (
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/mochi-mqtt/server/v2/listeners"
)

const (
	maxClients = 16 // that have connected
	maxWaiting = 16 // that have opened a connection and said nothing yet
	// maxWaitingEach keeps one address from taking all those places.
	maxWaitingEach = 8
	maxAddresses   = 256 // remembered; strangers beyond share one entry
)

// limits is what strangers may ask for.
type limits struct {
	// silence is how long a connection may take to its CONNECT (MQTT 3.1.1,
	// 3.1: "within a reasonable amount of time").
	silence time.Duration
	// An address may open burst connections at once and perSecond for long.
	burst, perSecond float64
}

var usualLimits = limits{silence: 10 * time.Second, burst: 40, perSecond: 4}

// listener accepts connections for the broker library in place of its own
// listener, which lets a malformed packet end the process, waits for ever
// for a silent client, and stops at the first failing accept.
type listener struct {
	ln     net.Listener
	limits limits
	log    *slog.Logger
	// gone is told of each connection that has ended, in whatever way.
	gone func(net.Conn)

	mu      sync.Mutex
	closed  bool
	conns   map[*outlet]netip.Addr
	waiting map[*outlet]bool // no CONNECT accepted yet
	rates   map[netip.Addr]*rate
	wg      sync.WaitGroup
	stop    chan struct{}

	panics, refused atomic.Int64
}

var _ listeners.Listener = (*listener)(nil)

// rate is a bucket of permits that fills with time.
type rate struct {
	permits float64
	at      time.Time
}

func (r *rate) take(now time.Time, most limits) bool {
	r.permits = min(most.burst, r.permits+now.Sub(r.at).Seconds()*most.perSecond)
	r.at = now
	if r.permits < 1 {
		return false
	}
	r.permits--
	return true
}

func newListener(ln net.Listener, most limits, log *slog.Logger, gone func(net.Conn)) *listener {
	return &listener{ln: ln, limits: most, log: log, gone: gone, stop: make(chan struct{}),
		conns: map[*outlet]netip.Addr{}, waiting: map[*outlet]bool{}, rates: map[netip.Addr]*rate{}}
}

func (l *listener) ID() string              { return "cab" }
func (l *listener) Address() string         { return l.ln.Addr().String() }
func (l *listener) Protocol() string        { return "tcp" }
func (l *listener) Init(*slog.Logger) error { return nil }

// Serve accepts until Close.
func (l *listener) Serve(establish listeners.EstablishFn) {
	failing := false
	for {
		conn, err := l.ln.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			// Out of descriptors, or a connection that was reset before it
			// was taken: it passes.
			if !failing {
				l.log.Warn("broker cannot accept connections", "error", err)
			}
			failing = true
			select {
			case <-time.After(200 * time.Millisecond):
				continue
			case <-l.stop:
				return
			}
		}
		failing = false
		o, ok := l.admit(conn)
		if !ok {
			l.refused.Add(1)
			conn.Close()
			continue
		}
		go func() {
			defer l.wg.Done()
			o.drain()
		}()
		go func() {
			defer l.wg.Done()
			l.handle(o, establish)
		}()
	}
}

// admit takes the connection in if there is room for it and its address does
// not come too often.
func (l *listener) admit(conn net.Conn) (*outlet, bool) {
	addr := addressOf(conn)
	now := time.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed || !l.permit(addr, now) || len(l.waiting) >= maxWaiting || len(l.conns) >= maxClients+maxWaiting {
		return nil, false
	}
	same := 0
	for w := range l.waiting {
		if l.conns[w] == addr {
			same++
		}
	}
	if same >= maxWaitingEach {
		return nil, false
	}
	o := newOutlet(conn)
	conn.SetReadDeadline(now.Add(l.limits.silence))
	l.conns[o], l.waiting[o] = addr, true
	l.wg.Add(2)
	return o, true
}

func (l *listener) permit(addr netip.Addr, now time.Time) bool {
	r := l.rates[addr]
	if r == nil {
		if len(l.rates) >= maxAddresses {
			for a, old := range l.rates {
				if now.Sub(old.at).Seconds()*l.limits.perSecond > l.limits.burst {
					delete(l.rates, a)
				}
			}
		}
		if len(l.rates) >= maxAddresses {
			addr = netip.Addr{}
			r = l.rates[addr]
		}
		if r == nil {
			r = &rate{permits: l.limits.burst, at: now}
			l.rates[addr] = r
		}
	}
	return r.take(now, l.limits)
}

func addressOf(conn net.Conn) netip.Addr {
	a, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return a.Addr().Unmap()
}

// joined notes that a connection has become a client.
func (l *listener) joined(conn net.Conn) {
	if o, ok := conn.(*outlet); ok {
		l.mu.Lock()
		delete(l.waiting, o)
		l.mu.Unlock()
	}
}

// handle runs the broker's code for one connection. Whatever that does, the
// connection ends here and nowhere else.
func (l *listener) handle(o *outlet, establish listeners.EstablishFn) {
	defer func() {
		if p := recover(); p != nil {
			l.panics.Add(1)
			l.log.Warn("a client's packet upset the broker; its connection is closed", "panic", p, "remote", o.RemoteAddr().String())
		}
		o.Close()
		l.gone(o)
		l.mu.Lock()
		delete(l.conns, o)
		delete(l.waiting, o)
		l.mu.Unlock()
	}()
	if err := establish(l.ID(), o); err != nil {
		l.log.Debug("client gone", "error", err, "remote", o.RemoteAddr().String())
	}
}

// Close stops accepting, ends every connection, and waits for their handlers.
func (l *listener) Close(closeClients listeners.CloseFn) {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return
	}
	l.closed = true
	l.mu.Unlock()
	close(l.stop)
	l.ln.Close()
	closeClients(l.ID())
	l.mu.Lock()
	for o := range l.conns {
		o.Close()
	}
	l.mu.Unlock()
	l.wg.Wait()
}
