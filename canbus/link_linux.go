package canbus

import (
	"encoding/binary"
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// link is what the kernel says about an interface.
type link struct {
	hardware uint16 // ARPHRD_CAN for every CAN interface
	kind     string // "can" has a controller, "vcan" and "vxcan" have none
	control  uint32 // the controller's mode bits; valid if hasMode
	hasMode  bool
	bitrate  uint32
}

// mode reads the answer for its purpose.
func (l link) mode() LinkMode {
	switch {
	case l.kind == "vcan" || l.kind == "vxcan":
		return Virtual
	case !l.hasMode:
		return ModeUnknown
	case l.control&unix.CAN_CTRLMODE_LISTENONLY != 0:
		return ListenOnly
	}
	return Normal
}

// askLink asks the kernel about an interface, over a socket to the kernel
// itself (rtnetlink(7)); nothing goes to any bus.
func askLink(index int) (link, error) {
	kernel, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	if err != nil {
		return link{}, fmt.Errorf("netlink socket: %w", err)
	}
	defer unix.Close(kernel)
	second := unix.NsecToTimeval(1e9)
	if err := unix.SetsockoptTimeval(kernel, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &second); err != nil {
		return link{}, fmt.Errorf("netlink time-out: %w", err)
	}
	if err := unix.Sendto(kernel, linkRequest(index), 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return link{}, fmt.Errorf("netlink request: %w", err)
	}
	answer := make([]byte, 64<<10)
	n, _, err := unix.Recvfrom(kernel, answer, 0)
	if err != nil {
		return link{}, fmt.Errorf("netlink answer: %w", err)
	}
	return parseLink(answer[:n])
}

// linkRequest is RTM_GETLINK for one interface.
func linkRequest(index int) []byte {
	const size = unix.SizeofNlMsghdr + unix.SizeofIfInfomsg
	b := make([]byte, size)
	binary.NativeEndian.PutUint32(b[0:], size)
	binary.NativeEndian.PutUint16(b[4:], unix.RTM_GETLINK)
	binary.NativeEndian.PutUint16(b[6:], unix.NLM_F_REQUEST)
	binary.NativeEndian.PutUint32(b[8:], 1)
	binary.NativeEndian.PutUint32(b[unix.SizeofNlMsghdr+4:], uint32(index))
	return b
}

var errLinkAnswer = errors.New("netlink answer is not understood")

// parseLink reads the answer RTM_NEWLINK, or the error that came instead.
func parseLink(b []byte) (link, error) {
	const header = unix.SizeofNlMsghdr
	if len(b) < header+4 {
		return link{}, errLinkAnswer
	}
	size := binary.NativeEndian.Uint32(b)
	if size < header+4 || uint64(size) > uint64(len(b)) {
		return link{}, errLinkAnswer
	}
	body := b[header:size]
	switch binary.NativeEndian.Uint16(b[4:]) {
	case unix.NLMSG_ERROR:
		return link{}, fmt.Errorf("netlink: %w", unix.Errno(-int32(binary.NativeEndian.Uint32(body))))
	case unix.RTM_NEWLINK:
	default:
		return link{}, errLinkAnswer
	}
	if len(body) < unix.SizeofIfInfomsg {
		return link{}, errLinkAnswer
	}
	l := link{hardware: binary.NativeEndian.Uint16(body[2:])}
	attributes(body[unix.SizeofIfInfomsg:], func(kind uint16, b []byte) {
		if kind != unix.IFLA_LINKINFO {
			return
		}
		attributes(b, func(kind uint16, b []byte) {
			switch kind {
			case unix.IFLA_INFO_KIND:
				for len(b) > 0 && b[len(b)-1] == 0 {
					b = b[:len(b)-1]
				}
				l.kind = string(b)
			case unix.IFLA_INFO_DATA:
				l.readCAN(b)
			}
		})
	})
	return l, nil
}

// readCAN reads the attributes of a controller (linux/can/netlink.h).
func (l *link) readCAN(b []byte) {
	attributes(b, func(kind uint16, b []byte) {
		switch {
		case kind == unix.IFLA_CAN_BITTIMING && len(b) >= 4:
			l.bitrate = binary.NativeEndian.Uint32(b)
		case kind == unix.IFLA_CAN_CTRLMODE && len(b) >= 8: // mask, flags
			l.control, l.hasMode = binary.NativeEndian.Uint32(b[4:]), true
		}
	})
}

// attributes calls f for each attribute of a list: length, type, value, and
// padding to four bytes.
func attributes(b []byte, f func(kind uint16, value []byte)) {
	for len(b) >= 4 {
		size := int(binary.NativeEndian.Uint16(b))
		if size < 4 || size > len(b) {
			return
		}
		const flags = unix.NLA_F_NESTED | unix.NLA_F_NET_BYTEORDER
		f(binary.NativeEndian.Uint16(b[2:])&^flags, b[4:size])
		size = (size + 3) &^ 3
		if size >= len(b) {
			return
		}
		b = b[size:]
	}
}
