package canbus

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"chaffinch/internal/problem"

	"golang.org/x/sys/unix"
)

// Times of the live reader.
const (
	retryFirst = 200 * time.Millisecond // first wait before an interface is looked for again
	retryMost  = 2 * time.Second        // the wait doubles up to this
	linkEvery  = time.Second            // how often a quiet link is looked at
)

// receiveBuffer is asked of the kernel for frames that wait: about two seconds
// of a full bus. The kernel grants no more than net.core.rmem_max.
const receiveBuffer = 2 << 20

// Socket listens to one CAN interface. It can only receive: the package has no
// call that sends on it, and nothing outside the package gets its descriptor.
//
// It outlives the interface: if that is absent, switched off or unplugged,
// Socket waits and takes it up again. Stamps are on the monotonic clock; see
// LiveClock.
type Socket struct {
	options SocketOptions
	reading sync.Mutex // held by Read
	stop    sync.Once
	stopped chan struct{}
	wake    [2]int // a pipe whose writing end is closed to end a wait

	fd       int // -1: not open
	index    int // of the interface
	receiver *receiver
	retry    time.Duration
	retryAt  int64 // LiveClock
	lookAt   int64 // LiveClock
	takeAt   int64 // LiveClock; until then frames are left with the kernel
	drops    uint32
	newest   int64 // Stamp of the newest frame

	guard  sync.Mutex // of health, which only Read changes
	health Health
}

// OpenSocket starts to listen. That the interface is absent or down is no
// error: it may come. An interface that is up and whose controller is not in
// listen-only mode is refused with a *problem.Problem, and so is a kernel
// without CAN.
func OpenSocket(options SocketOptions) (*Socket, error) {
	if n := len(options.Interface); n == 0 || n >= unix.IFNAMSIZ {
		return nil, &problem.Problem{Key: "bus.interface",
			What: fmt.Sprintf("%q is not the name of an interface", options.Interface), Try: "give a name such as can0"}
	}
	s := &Socket{options: options, fd: -1, receiver: newReceiver(), retry: retryFirst, stopped: make(chan struct{})}
	s.health.Interface = options.Interface
	if err := unix.Pipe2(s.wake[:], unix.O_CLOEXEC|unix.O_NONBLOCK); err != nil {
		return nil, fmt.Errorf("canbus: open %s: %w", options.Interface, err)
	}
	if err := s.connect(); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// Health is a copy of what has been met so far. It may be called at any time.
func (s *Socket) Health() Health {
	s.guard.Lock()
	defer s.guard.Unlock()
	return s.health
}

// Close ends the listening and any Read that waits.
func (s *Socket) Close() error {
	s.stop.Do(func() {
		close(s.stopped)
		unix.Close(s.wake[1]) // wakes Read
		s.reading.Lock()
		defer s.reading.Unlock()
		s.disconnect()
		unix.Close(s.wake[0])
	})
	return nil
}

func (s *Socket) isStopped() bool {
	select {
	case <-s.stopped:
		return true
	default:
		return false
	}
}

// Read fills dst with frames that have come and says how many. It waits for
// the first one at most the given time and then gives 0 frames and no error.
// On a busy bus frames come in bunches; see Gather.
//
// The error is os.ErrClosed after Close, or a *problem.Problem if the
// interface came up in a mode that is refused. Read may be called again
// after that; it looks anew.
func (s *Socket) Read(dst []Frame, wait time.Duration) (int, error) {
	s.reading.Lock()
	defer s.reading.Unlock()
	deadline := LiveClock() + int64(wait)
	for {
		if s.isStopped() {
			return 0, os.ErrClosed
		}
		at := LiveClock()
		if s.fd < 0 && at >= s.retryAt {
			if err := s.connect(); err != nil {
				return 0, err
			}
		}
		next := s.retryAt
		gathering := s.fd >= 0 && at < s.takeAt
		switch {
		case gathering:
			next = s.takeAt
		case s.fd >= 0:
			n, err := s.take(dst)
			if n > 0 && n < min(len(dst), batchSize) { // else there may be more
				s.takeAt = at + int64(Gather)
			}
			if n > 0 || err != nil {
				return n, err
			}
			if at >= s.lookAt {
				if err := s.look(at); err != nil {
					return 0, err
				}
			}
			next = s.lookAt
		}
		if at >= deadline {
			return 0, nil
		}
		s.sleep(time.Duration(min(deadline, next)-at), !gathering)
	}
}

// take reads what has come, without waiting.
func (s *Socket) take(dst []Frame) (int, error) {
	for s.fd >= 0 {
		got, err := s.receiver.receive(s.fd, len(dst))
		switch {
		case err == nil && s.health.State != Up && s.isUp():
			// The link is up again. Its mode may be another one by now. (Frames alone
			// do not say so: they may have waited since before it went down.)
			if err := s.cameUp(); err != nil {
				return 0, err
			}
			fallthrough
		case err == nil:
			if n := s.accept(dst, got); n > 0 {
				return n, nil
			}
			if got == 0 {
				return 0, nil
			}
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EAGAIN):
			return 0, nil
		case errors.Is(err, unix.ENETDOWN):
			// Said once; the socket stays bound and works again later.
			s.note(Down, err)
		default: // ENODEV: unplugged
			s.lose(Absent, err)
		}
	}
	return 0, nil
}

// accept turns the received messages into frames.
func (s *Socket) accept(dst []Frame, got int) int {
	at := now()
	s.guard.Lock()
	defer s.guard.Unlock()
	h := &s.health
	n := 0
	for i := range got {
		f := &dst[n]
		m, ok := s.receiver.parse(i, f)
		if m.counted {
			h.Dropped += uint64(m.drops - s.drops)
			s.drops = m.drops
		}
		if m.local {
			h.LocalSender++
		}
		if !ok {
			h.Malformed++
			continue
		}
		stamp, late := at.stamp(m.kernel)
		if late {
			h.Late++
		}
		s.newest = max(s.newest, stamp)
		f.Stamp = s.newest
		f.Interface = s.options.Index
		if f.Flags&ErrorFrame != 0 {
			h.Errors.Count(f)
		} else {
			h.Frames++
			h.LastFrame = time.Duration(f.Stamp)
		}
		n++
	}
	return n
}

// sleep waits for Close or for the time to pass, or also for a frame.
func (s *Socket) sleep(d time.Duration, orFrame bool) {
	fds := [2]unix.PollFd{{Fd: int32(s.wake[0])}, {Fd: int32(s.fd), Events: unix.POLLIN}}
	watched := fds[:]
	if s.fd < 0 || !orFrame {
		watched = fds[:1]
	}
	t := unix.NsecToTimespec(max(int64(d), 0))
	// Whatever it says, the caller looks again.
	_, _ = unix.Ppoll(watched, &t, nil)
}

func (s *Socket) note(state LinkState, err error) {
	s.guard.Lock()
	defer s.guard.Unlock()
	s.health.State = state
	if err != nil {
		s.health.LastError = err.Error()
	}
}
