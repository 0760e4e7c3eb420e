package daemon

import (
	"context"
	"math"
	"time"

	"chaffinch/canbus"
	"chaffinch/publish"
)

const (
	// pollEvery is how long a read waits, and so how late a silence is noticed.
	pollEvery = 50 * time.Millisecond
	// settled is the age from which no frame can still be on its way from the
	// controller to the reader.
	settled = 20 * time.Millisecond
)

// Live is the bus of the machine.
type Live struct {
	socket *canbus.Socket
	clock  Clock
	rate   rate
}

// NewLive listens with a socket.
func NewLive(socket *canbus.Socket, clock Clock) *Live {
	return &Live{socket: socket, clock: clock}
}

// Read waits for frames.
func (l *Live) Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error) {
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	began := canbus.LiveClock()
	n, err = l.socket.Read(dst, pollEvery)
	if n < len(dst) {
		// All that had come before the read began is here.
		quiet = began - int64(settled)
		if n > 0 {
			quiet = 0
		}
	}
	l.rate.add(dst[:n])
	return n, quiet, err
}

// Wall is the calendar time of a stamp: as far back from now as the stamp is.
func (l *Live) Wall(stamp int64) (time.Time, bool) {
	now, trusted := l.clock.Wall()
	return now.Add(time.Duration(stamp - canbus.LiveClock())), trusted
}

// Stamp is now.
func (l *Live) Stamp() int64 { return canbus.LiveClock() }

// Bus is how the bus is.
func (l *Live) Bus() publish.Bus {
	h := l.socket.Health()
	perSecond, bits := l.rate.now(canbus.LiveClock())
	load := math.NaN()
	if h.Bitrate > 0 {
		load = 100 * bits / float64(h.Bitrate)
	}
	return publish.Bus{
		State: h.State.String(), FramesPerS: perSecond, LoadPct: load,
		ErrorFrames: uint64(h.Errors.Frames), Dropped: h.Dropped,
	}
}
