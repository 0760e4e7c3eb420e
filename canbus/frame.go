package canbus

import "chaffinch/canbus/signal"

// Flags tell what kind of frame it is.
type Flags uint8

const (
	Extended   Flags = 1 << iota // 29-bit identifier
	Remote                       // remote transmission request: no data
	ErrorFrame                   // a report of the controller about the bus, not data
	FD                           // CAN FD: counted, its data are not kept
)

// Frame is a frame as it was received. It is a small value, meant to be copied.
type Frame struct {
	// Stamp is the time that the log or the kernel gave the frame, in
	// nanoseconds since 1970 (or since the log's own zero). It may jump.
	Stamp int64
	// At is event time, from Stamp by way of a Timeline. It never jumps.
	At signal.Instant
	// ID is the identifier, 29 or 11 bits, without flag bits. For an error
	// frame it is the error class (Linux can/error.h).
	ID        uint32
	Len       uint8 // bytes of Data that were received, 0 to 8
	Flags     Flags
	Interface uint8 // index into the source's list of interface names
	// Code is what the data length code said beyond Len: the number of bytes
	// that a remote frame asks for, or 9 to 15 in a frame of eight bytes whose
	// code was above 8. Otherwise it is 0.
	Code uint8
	Data [8]byte
}

// IsData tells whether the frame carries data of the bus: it is neither a
// remote frame, nor an error frame, nor CAN FD.
func (f *Frame) IsData() bool { return f.Flags&(Remote|ErrorFrame|FD) == 0 }

// Is tells whether all the given flags are set.
func (f *Frame) Is(flags Flags) bool { return f.Flags&flags == flags }
