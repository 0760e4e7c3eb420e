package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"sync"
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
	// lookAgain is the pause after a bus that cannot be listened to.
	lookAgain = 2 * time.Second
)

// Live is the bus of the machine. Whatever is wrong with it, Live goes on
// trying: a daemon in a cab has nobody to start it again.
type Live struct {
	options canbus.SocketOptions
	bitrate int // that the configuration expects
	clock   Clock
	log     *slog.Logger
	rate    rate

	mu      sync.Mutex
	socket  *canbus.Socket // nil until it could be opened
	trouble string         // why there are no frames, in words
}

// NewLive listens to the interface of the settings.
func NewLive(bus canbus.Settings, clock Clock, log *slog.Logger) *Live {
	options := canbus.SocketOptions{Interface: bus.Interface, AllowNormalMode: bus.AllowNormalMode}
	return &Live{options: options, bitrate: bus.Bitrate, clock: clock, log: log}
}

// Read waits for frames.
func (l *Live) Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error) {
	if err := ctx.Err(); err != nil {
		return 0, 0, err
	}
	socket, err := l.open()
	began := canbus.LiveClock()
	if err == nil {
		n, err = socket.Read(dst, pollEvery)
	}
	if errors.Is(err, os.ErrClosed) {
		return 0, 0, err
	}
	l.note(err)
	if err != nil {
		select {
		case <-time.After(lookAgain):
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		}
	}
	if n == 0 {
		quiet = began - int64(settled) // all that had come before then is here
	}
	l.rate.add(dst[:n])
	return n, quiet, nil
}

func (l *Live) open() (*canbus.Socket, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.socket != nil {
		return l.socket, nil
	}
	socket, err := canbus.OpenSocket(l.options)
	if err == nil {
		l.socket = socket
	}
	return socket, err
}

// note keeps and logs the trouble when it changes.
func (l *Live) note(err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if text == l.trouble {
		return
	}
	if text != "" {
		l.log.Error("cannot listen to the bus", "why", text)
	} else {
		l.log.Info("listening to the bus", "interface", l.options.Interface)
	}
	l.trouble = text
}

// Close ends the listening.
func (l *Live) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.socket == nil {
		return nil
	}
	return l.socket.Close()
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
	l.mu.Lock()
	socket := l.socket
	l.mu.Unlock()
	if socket == nil {
		return publish.Bus{State: "absent", LoadPct: math.NaN()}
	}
	h := socket.Health()
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

// Trouble says why there are no frames, or that another program sends here.
func (l *Live) Trouble() string {
	l.mu.Lock()
	socket, trouble := l.socket, l.trouble
	l.mu.Unlock()
	if trouble != "" || socket == nil {
		return trouble
	}
	h := socket.Health()
	switch {
	case h.LocalSender > 0:
		return fmt.Sprintf("another program on this computer sends on %s: stop it", h.Interface)
	case h.State != canbus.Up:
		return fmt.Sprintf("%s is %s", h.Interface, h.State)
	case h.Bitrate != 0 && h.Bitrate != l.bitrate:
		return fmt.Sprintf("%s is set to %d bit/s, the configuration says %d", h.Interface, h.Bitrate, l.bitrate)
	case h.Frames == 0 && h.Errors.Frames > 0:
		return "errors but no frames: wrong bit rate or wiring"
	}
	return ""
}
