// Package processdata reads the process data of ISO 11783-10: the values that
// implements and a task controller exchange in PGN 51968, and the device
// descriptor pools that say what an implement can measure.
//
// Direction gives a value its meaning: from a client to the task controller
// it is a measurement, the other way it is a set point. Who is the task
// controller is told by its status message. See canbus/decode, which keeps
// that in mind; here are pure functions on payloads.
package processdata

import "encoding/binary"

// Command is the low half of the first byte.
type Command uint8

const (
	Capabilities       Command = 0 // sub-commands in the element's low bits: 0 asks for the version, 1 gives it
	DeviceDescriptor   Command = 1
	RequestValue       Command = 2
	Value              Command = 3
	MeasureTime        Command = 4 // value: interval in ms
	MeasureDistance    Command = 5 // value: interval in mm
	MeasureMinimum     Command = 6
	MeasureMaximum     Command = 7
	MeasureChange      Command = 8
	PeerControl        Command = 9
	SetAndAcknowledge  Command = 10
	Acknowledge        Command = 13
	ControllerStatus   Command = 14
	ClientTask         Command = 15
	transferSubCommand         = 6 // of DeviceDescriptor: object pool transfer
)

// Message is one process data message.
type Message struct {
	Command Command
	Element uint16 // device element number, 0 to 4095
	DDI     uint16 // data dictionary identifier: see Lookup
	Value   int32
}

// Parse reads the eight data bytes of PGN 51968. It is false if the payload is
// shorter, as longer ones are pools: see ParsePool.
func Parse(payload []byte) (Message, bool) {
	if len(payload) < 8 {
		return Message{}, false
	}
	return ParseFrame(binary.LittleEndian.Uint64(payload)), true
}

// ParseFrame is Parse for the eight bytes as one little-endian number.
func ParseFrame(data uint64) Message {
	return Message{
		Command: Command(data & 15),
		Element: uint16(data >> 4 & 0xFFF),
		DDI:     uint16(data >> 16),
		Value:   int32(uint32(data >> 32)),
	}
}

// SubCommand is the high half of the first byte, for the commands Capabilities
// and DeviceDescriptor, which have no element number.
func (m Message) SubCommand() uint8 { return uint8(m.Element & 15) }

// AckErrors are the error bits of an Acknowledge; 0 is "no error".
type AckErrors uint8

const (
	AckCommand AckErrors = 1 << iota
	AckElement
	AckDDI
	AckTrigger
	AckNotSettable
	AckInterval
	AckValue
	AckRange
)

// AckErrors reads the error bits of an Acknowledge.
func (m Message) AckErrors() AckErrors { return AckErrors(m.Value) }

// Status is what a task controller broadcasts every two seconds.
type Status struct {
	TotalsActive bool // a task is running
	Saving       bool
	Reading      bool
	Executing    bool
	OutOfMemory  bool
}

// Status reads the value of a ControllerStatus or ClientTask message.
func (m Message) Status() Status {
	b := uint32(m.Value)
	return Status{b&1 != 0, b&2 != 0, b&4 != 0, b&8 != 0, b&128 != 0}
}

// Version is the answer to a request for the version.
type Version struct {
	Version  uint8 // of ISO 11783-10 that the sender follows
	Options  uint8
	Booms    uint8
	Sections uint8
	Channels uint8
}

// ParseVersion reads the version message: command 0, sub-command 1.
func ParseVersion(payload []byte) (Version, bool) {
	if len(payload) < 8 || payload[0] != 0x10 {
		return Version{}, false
	}
	return Version{payload[1], payload[3], payload[5], payload[6], payload[7]}, true
}

// PoolOf returns the pool inside the payload of an object pool transfer, and
// false if the payload is another message.
func PoolOf(payload []byte) ([]byte, bool) {
	if len(payload) < 2 || payload[0] != transferSubCommand<<4|byte(DeviceDescriptor) {
		return nil, false
	}
	return payload[1:], true
}
