package mqtt

import (
	"errors"
	"net"
	"sync"
	"time"
)

const (
	// outletBytes is what may wait for a client that reads slowly: a minute
	// of live values and more alerts than there will be.
	outletBytes = 256 << 10
	// outletStall is how long a client may take in nothing.
	outletStall = 10 * time.Second
	// outletFarewell is how long the last words to a client may take.
	outletFarewell = time.Second
)

var errSlow = errors.New("client takes in too little")

// outlet is a connection whose Write never waits. The broker library writes
// while it holds the client's lock, and wants the same lock to number a
// message of QoS 1: one sleeping phone would hold up the publishing to all.
// Here what is written waits in a bounded buffer; a client that lets it fill,
// or stalls, is cut off.
type outlet struct {
	net.Conn
	wake chan struct{}

	mu     sync.Mutex
	buf    []byte
	closed bool  // by us: what is in buf still goes out
	err    error // the connection is of no more use
}

func newOutlet(c net.Conn) *outlet {
	return &outlet{Conn: c, wake: make(chan struct{}, 1)}
}

// Write takes in all of p or fails.
func (o *outlet) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	switch {
	case o.err != nil:
		return 0, o.err
	case o.closed:
		return 0, net.ErrClosed
	case len(o.buf)+len(p) > outletBytes:
		o.err = errSlow
		o.buf = nil
		o.Conn.Close()
		o.nudge()
		return 0, o.err
	}
	o.buf = append(o.buf, p...)
	o.nudge()
	return len(p), nil
}

func (o *outlet) nudge() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// SetDeadline is for reading only: writing has a deadline of its own.
func (o *outlet) SetDeadline(t time.Time) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed || o.err != nil {
		return net.ErrClosed
	}
	return o.Conn.SetReadDeadline(t)
}

// Close lets reading end at once and the connection when the last words are
// out.
func (o *outlet) Close() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed || o.err != nil {
		return nil
	}
	o.closed = true
	o.nudge()
	o.Conn.SetReadDeadline(time.Now())
	// Cuts short a write that is going on, too.
	return o.Conn.SetWriteDeadline(time.Now().Add(outletFarewell))
}

// drain writes until the outlet is closed or broken. When it returns the
// connection is closed.
func (o *outlet) drain() {
	defer o.Conn.Close()
	for range o.wake {
		for {
			o.mu.Lock()
			p, closed, err := o.buf, o.closed, o.err
			o.buf = nil
			if !closed {
				o.Conn.SetWriteDeadline(time.Now().Add(outletStall))
			}
			o.mu.Unlock()
			if err != nil || closed && len(p) == 0 {
				return
			}
			if len(p) == 0 {
				break
			}
			if _, err := o.Conn.Write(p); err != nil {
				o.mu.Lock()
				if o.err == nil {
					o.err = err
				}
				o.mu.Unlock()
				return
			}
		}
	}
}
