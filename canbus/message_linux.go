package canbus

import (
	"encoding/binary"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// message is what one received datagram of a raw CAN socket says besides its
// frame.
type message struct {
	local   bool   // sent by a program on this computer
	drops   uint32 // running count of the socket; valid if counted
	counted bool
	kernel  int64 // nanoseconds since 1970 at which the kernel took it; 0: not told
}

// parseMessage reads a struct can_frame or canfd_frame (linux/can.h) and the
// control messages that came with it. It sets all of f but Stamp, At and
// Interface. False: the data are no frame.
func parseMessage(data, control []byte, flags int, f *Frame) (message, bool) {
	m := message{local: flags&unix.MSG_DONTROUTE != 0}
	readControl(control, &m)
	const classic, fd = 16, 72
	if len(data) != classic && len(data) != fd || flags&unix.MSG_TRUNC != 0 {
		return m, false
	}
	raw := binary.NativeEndian.Uint32(data)
	length := data[4]
	*f = Frame{}
	switch {
	case raw&unix.CAN_ERR_FLAG != 0:
		f.ID, f.Flags = raw&idBits, ErrorFrame
	case raw&unix.CAN_EFF_FLAG != 0:
		f.ID, f.Flags = raw&idBits, Extended
	default:
		f.ID = raw & stdBits
	}
	if len(data) == fd {
		f.Flags |= FD
		return m, length <= 64
	}
	if length > 8 {
		return m, false
	}
	if code := data[7]; length == 8 && code > 8 && code <= 15 {
		f.Code = code
	}
	if raw&unix.CAN_RTR_FLAG != 0 && f.Flags&ErrorFrame == 0 {
		f.Flags |= Remote
		f.Code = max(f.Code, length)
		return m, true
	}
	f.Len = length
	copy(f.Data[:], data[8:8+length])
	return m, true
}

// readControl walks the control messages (cmsg(3)).
func readControl(b []byte, m *message) {
	const word = int(unsafe.Sizeof(uintptr(0)))
	const header = word + 8
	for len(b) >= header {
		var size uint64
		if word == 8 {
			size = binary.NativeEndian.Uint64(b)
		} else {
			size = uint64(binary.NativeEndian.Uint32(b))
		}
		if size < uint64(header) || size > uint64(len(b)) {
			return
		}
		level := binary.NativeEndian.Uint32(b[word:])
		kind := binary.NativeEndian.Uint32(b[word+4:])
		payload := b[header:size]
		if level == unix.SOL_SOCKET {
			switch kind {
			case unix.SO_TIMESTAMPNS, unix.SO_TIMESTAMPNS_NEW:
				m.kernel = timespec(payload)
			case unix.SO_RXQ_OVFL:
				if len(payload) >= 4 {
					m.drops, m.counted = binary.NativeEndian.Uint32(payload), true
				}
			}
		}
		next := (int(size) + word - 1) &^ (word - 1)
		if next >= len(b) {
			return
		}
		b = b[next:]
	}
}

// timespec reads seconds and nanoseconds of 8 bytes each, or of 4 in the old
// form of 32-bit systems.
func timespec(b []byte) int64 {
	switch {
	case len(b) >= 16:
		return int64(binary.NativeEndian.Uint64(b))*1e9 + int64(binary.NativeEndian.Uint64(b[8:]))
	case len(b) >= 8:
		return int64(int32(binary.NativeEndian.Uint32(b)))*1e9 + int64(binary.NativeEndian.Uint32(b[4:]))
	}
	return 0
}

// moment is one instant on both clocks, in nanoseconds.
type moment struct{ mono, wall int64 }

// stamp is when a frame came, on the monotonic clock. The kernel stamps frames
// on the wall clock, which may be set at any time; so its stamp is used only
// to tell how long the frame has waited. A wait below zero or of more than a
// second is not believed: then the frame came now.
func (m moment) stamp(kernel int64) (stamp int64, late bool) {
	wait := m.wall - kernel
	if kernel == 0 || wait < 0 || wait > int64(time.Second) {
		return m.mono, true
	}
	return m.mono - wait, false
}

// LiveClock is the clock of live Stamps: nanoseconds since the start of the
// computer, CLOCK_MONOTONIC.
func LiveClock() int64 {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		return 0 // cannot fail on Linux
	}
	return t.Nano()
}

func now() moment {
	var wall unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_REALTIME, &wall); err != nil {
		return moment{mono: LiveClock()}
	}
	return moment{mono: LiveClock(), wall: wall.Nano()}
}
