package canbus

import "time"

// SocketOptions say which interface to listen to.
type SocketOptions struct {
	Interface string // such as "can0"; it need not exist yet
	Index     uint8  // given to every frame as its Interface
	// AllowNormalMode lets the reader open an interface whose controller
	// acknowledges frames. Only for a bench with one other node.
	AllowNormalMode bool
}

// Gather is the least time between two reads of a live bus that give frames. On a
// full bus a frame comes every half millisecond, and to be woken for each takes far
// more than to think about it. So they are left with the kernel, which has stamped
// them, until there are some. Nothing that is decided depends on
// it; an alert comes that much later at most.
const Gather = 20 * time.Millisecond

// LinkState says what there is to listen to.
type LinkState uint8

const (
	Absent  LinkState = iota // no interface of that name
	Down                     // it is there and switched off
	Up                       // it is listened to
	Refused                  // it is there, but its controller is not in listen-only mode
)

func (s LinkState) String() string {
	return [...]string{"absent", "down", "up", "refused"}[s&3]
}

// LinkMode is how the controller of an interface takes part in the bus.
type LinkMode uint8

const (
	ModeUnknown LinkMode = iota // the driver does not say
	ListenOnly                  // it sends nothing, not even acknowledgements
	Normal                      // it acknowledges frames
	Virtual                     // there is no controller (vcan, vxcan)
)

func (m LinkMode) String() string {
	return [...]string{"unknown", "listen-only", "normal", "virtual"}[m&3]
}

// Health is what a live reader has met since it was opened.
type Health struct {
	Interface string
	State     LinkState
	Mode      LinkMode
	Bitrate   int // bit/s as the controller is set; 0 if unknown
	Frames    uint64
	// Dropped frames had no room in the receive buffer of the socket. Frames
	// that the controller itself lost are Errors.RxOverflow.
	Dropped uint64
	Errors  BusErrors
	// LocalSender counts frames that a program on this computer sent. On a
	// system that only listens there must be none.
	LocalSender   uint64
	Late          uint64 // frames whose kernel time could not be used
	Malformed     uint64 // messages that are not frames
	Opened        int    // how often the socket was opened
	ReceiveBuffer int    // bytes that the kernel grants
	LastError     string
	LastFrame     time.Duration // the Stamp of the newest frame; 0: none yet
}
