//go:build !linux

package canbus

import (
	"errors"
	"time"
)

// Socket listens to a CAN interface; there is none but on Linux.
type Socket struct{}

// OpenSocket fails: live listening needs Linux.
func OpenSocket(SocketOptions) (*Socket, error) {
	return nil, errors.New("canbus: listening to a live bus needs Linux; recorded logs can be read here")
}

// Read is never reached.
func (*Socket) Read([]Frame, time.Duration) (int, error) { return 0, errors.ErrUnsupported }

// Health is never reached.
func (*Socket) Health() Health { return Health{} }

// Close is never reached.
func (*Socket) Close() error { return nil }

// LiveClock is never reached.
func LiveClock() int64 { return 0 }
