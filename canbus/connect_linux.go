package canbus

import (
	"errors"
	"fmt"
	"time"

	"chaffinch/internal/problem"

	"golang.org/x/sys/unix"
)

// connect opens the socket and binds it to the interface. It returns an error
// only for what a person must mend; anything else is tried again later.
func (s *Socket) connect() error {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if errors.Is(err, unix.EAFNOSUPPORT) || errors.Is(err, unix.EPROTONOSUPPORT) {
		s.lose(Absent, err)
		return &problem.Problem{Key: "bus.interface", What: "this system offers no CAN sockets", Err: err,
			Try: "load the kernel modules can and can_raw, and allow the address family AF_CAN to the service"}
	}
	if err != nil {
		s.lose(Absent, err)
		return nil
	}
	s.fd = fd
	index, up, err := s.lookUp()
	if err != nil {
		s.lose(Absent, err)
		return nil
	}
	s.index = index
	if err := s.prepare(); err != nil {
		s.lose(Absent, err)
		return nil
	}
	// A link that is down does no harm in any mode, and at the start of the
	// computer it may not be set up yet: its mode is checked when it comes up.
	state := Down
	if up {
		if err := s.checkMode(); err != nil || s.fd < 0 {
			return err
		}
		state = Up
	}
	if err := unix.Bind(s.fd, &unix.SockaddrCAN{Ifindex: index}); err != nil {
		s.lose(Absent, err)
		return nil
	}
	s.retry = retryFirst
	s.drops = 0
	s.guard.Lock()
	s.health.Opened++
	s.guard.Unlock()
	s.lookAt = LiveClock() + int64(linkEvery)
	s.note(state, nil)
	return nil
}

// prepare sets the options of the socket (linux/can/raw.h, socket(7)).
func (s *Socket) prepare() error {
	// Old kernels lack the new form of time stamps, which holds beyond 2038 on
	// 32-bit systems; the old form is the same on 64-bit ones.
	err := unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS_NEW, 1)
	if err != nil {
		err = unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1)
	}
	if err != nil {
		return fmt.Errorf("ask for time stamps: %w", err)
	}
	if err := unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return fmt.Errorf("ask for the drop count: %w", err)
	}
	if err := unix.SetsockoptInt(s.fd, unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, unix.CAN_ERR_MASK); err != nil {
		return fmt.Errorf("ask for error frames: %w", err)
	}
	// FD frames are only counted, and the kernel may not know them.
	_ = unix.SetsockoptInt(s.fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, 1)
	// How much is granted stands in Health.
	_ = unix.SetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RCVBUF, receiveBuffer)
	granted, err := unix.GetsockoptInt(s.fd, unix.SOL_SOCKET, unix.SO_RCVBUF)
	if err != nil {
		return fmt.Errorf("read the size of the receive buffer: %w", err)
	}
	s.guard.Lock()
	s.health.ReceiveBuffer = granted
	s.guard.Unlock()
	return nil
}

// lookUp finds the index of the interface and whether it is up, by its name
// (netdevice(7)).
func (s *Socket) lookUp() (index int, up bool, err error) {
	request, err := unix.NewIfreq(s.options.Interface)
	if err != nil {
		return 0, false, err
	}
	if err := unix.IoctlIfreq(s.fd, unix.SIOCGIFINDEX, request); err != nil {
		return 0, false, err
	}
	index = int(request.Uint32())
	if err := unix.IoctlIfreq(s.fd, unix.SIOCGIFFLAGS, request); err != nil {
		return 0, false, err
	}
	return index, request.Uint16()&unix.IFF_UP != 0, nil
}

func (s *Socket) isUp() bool {
	_, up, err := s.lookUp()
	return err == nil && up
}

// look sees how the link is, about once a second while nothing comes.
func (s *Socket) look(at int64) error {
	s.lookAt = at + int64(linkEvery)
	index, up, err := s.lookUp()
	switch {
	case err != nil:
		s.lose(Absent, err)
	case index != s.index:
		s.lose(Absent, errors.New("the interface was replaced by another of the same name"))
	case !up:
		s.note(Down, nil)
	case s.health.State != Up:
		return s.cameUp()
	}
	return nil
}

// cameUp checks the mode again: it can be changed while the link is down.
func (s *Socket) cameUp() error {
	if err := s.checkMode(); err != nil {
		return err
	}
	if s.fd >= 0 {
		s.note(Up, nil)
	}
	return nil
}

// checkMode refuses a controller that would take part in the bus.
func (s *Socket) checkMode() error {
	l, err := askLink(s.index)
	if errors.Is(err, unix.ENODEV) {
		s.lose(Absent, err)
		return nil
	}
	if err == nil && l.hardware != unix.ARPHRD_CAN {
		s.lose(Refused, errors.New("not a CAN interface"))
		return &problem.Problem{Key: "bus.interface", What: s.options.Interface + " is not a CAN interface",
			Try: "give the name of a CAN interface; \"ip -details link\" lists them"}
	}
	mode := l.mode()
	s.guard.Lock()
	s.health.Mode, s.health.Bitrate = mode, int(l.bitrate)
	s.guard.Unlock()
	if refusal := refuse(s.options, mode, err); refusal != nil {
		s.lose(Refused, refusal)
		return refusal
	}
	return nil
}

// refuse says what is wrong with the mode of an interface, if anything.
func refuse(o SocketOptions, mode LinkMode, cause error) error {
	if o.AllowNormalMode || mode == ListenOnly || mode == Virtual {
		return nil
	}
	what := o.Interface + " is not in listen-only mode: its controller would acknowledge frames and disturb a bus of another bit rate"
	if mode == ModeUnknown {
		what = "it cannot be told whether " + o.Interface + " is in listen-only mode"
	}
	return &problem.Problem{Key: "bus.interface", What: what, Err: cause,
		Try: "set ListenOnly=yes for it in systemd-networkd, or by hand: ip link set " + o.Interface +
			" down; ip link set " + o.Interface + " type can listen-only on; ip link set " + o.Interface +
			" up. On a bench with one other node: allow_normal_mode = true"}
}

// lose closes the socket and says when to try again.
func (s *Socket) lose(state LinkState, err error) {
	s.disconnect()
	s.note(state, err)
	s.retryAt = LiveClock() + int64(s.retry)
	s.retry = min(2*s.retry, time.Duration(retryMost))
}

func (s *Socket) disconnect() {
	if s.fd >= 0 {
		unix.Close(s.fd)
		s.fd = -1
	}
}
