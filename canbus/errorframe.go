package canbus

// The classes of error frames: bits of the ID of a Frame with ErrorFrame set
// (Linux include/uapi/linux/can/error.h).
const (
	ErrTxTimeout    = 0x1
	ErrLostArbit    = 0x2
	ErrController   = 0x4 // Data[1] says what
	ErrProtocol     = 0x8
	ErrTransceiver  = 0x10
	ErrNoAck        = 0x20
	ErrBusOff       = 0x40
	ErrBus          = 0x80
	ErrRestarted    = 0x100
	ErrCounterValue = 0x200
)

// What Data[1] of an error frame of class ErrController says.
const (
	CtrlRxOverflow = 0x1 // the controller lost frames
	CtrlTxOverflow = 0x2
	CtrlRxWarning  = 0x4
	CtrlTxWarning  = 0x8
	CtrlRxPassive  = 0x10
	CtrlTxPassive  = 0x20
	CtrlActive     = 0x40
)

// BusErrors counts error frames by class. A frame may be of several classes.
type BusErrors struct {
	Frames      int // error frames of all classes
	TxTimeout   int
	LostArbit   int
	Controller  int
	RxOverflow  int // among Controller: the controller lost frames
	Passive     int // among Controller: error counters reached 128
	Protocol    int
	Transceiver int
	NoAck       int
	BusOff      int
	Bus         int
	Restarted   int
}

// Count adds one error frame; other frames are left.
func (e *BusErrors) Count(f *Frame) {
	if f.Flags&ErrorFrame == 0 {
		return
	}
	e.Frames++
	add := func(counter *int, is bool) {
		if is {
			*counter++
		}
	}
	class, detail := f.ID, f.Data[1]
	controller := class&ErrController != 0 && f.Len > 1
	add(&e.TxTimeout, class&ErrTxTimeout != 0)
	add(&e.LostArbit, class&ErrLostArbit != 0)
	add(&e.Controller, class&ErrController != 0)
	add(&e.RxOverflow, controller && detail&CtrlRxOverflow != 0)
	add(&e.Passive, controller && detail&(CtrlRxPassive|CtrlTxPassive) != 0)
	add(&e.Protocol, class&ErrProtocol != 0)
	add(&e.Transceiver, class&ErrTransceiver != 0)
	add(&e.NoAck, class&ErrNoAck != 0)
	add(&e.BusOff, class&ErrBusOff != 0)
	add(&e.Bus, class&ErrBus != 0)
	add(&e.Restarted, class&ErrRestarted != 0)
}
