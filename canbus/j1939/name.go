package j1939

import "encoding/binary"

// Name is the 64-bit NAME by which a control function claims its address
// (ISO 11783-5, SAE J1939-81). The lower NAME wins a contested address.
type Name uint64

// ParseName reads a NAME from the eight data bytes of an address claim.
func ParseName(payload []byte) (Name, bool) {
	if len(payload) < 8 {
		return 0, false
	}
	return Name(binary.LittleEndian.Uint64(payload)), true
}

// The parts of a NAME, from the least significant.

func (n Name) Identity() uint32        { return uint32(n & 0x1FFFFF) }
func (n Name) Manufacturer() uint16    { return uint16(n >> 21 & 0x7FF) }
func (n Name) ECUInstance() uint8      { return uint8(n >> 32 & 7) }
func (n Name) FunctionInstance() uint8 { return uint8(n >> 35 & 31) }
func (n Name) Function() uint8         { return uint8(n >> 40) }
func (n Name) Class() uint8            { return uint8(n >> 49 & 0x7F) }
func (n Name) ClassInstance() uint8    { return uint8(n >> 56 & 15) }
func (n Name) Group() uint8            { return uint8(n >> 60 & 7) }

// SelfConfigurable tells whether the node may take another address when it
// loses its own.
func (n Name) SelfConfigurable() bool { return n>>63 == 1 }

// Industry groups (ISO 11783-1).
var groupWords = [8]string{"global", "on-highway", "agriculture", "construction", "marine", "industrial", "reserved", "not available"}

// GroupWords names the industry group.
func (n Name) GroupWords() string { return groupWords[n.Group()] }

// Device classes of industry group 2, agriculture and forestry (ISO 11783-1).
var classWords = map[uint8]string{
	0: "non-specific", 1: "tractor", 2: "primary tillage", 3: "secondary tillage", 4: "planter or seeder",
	5: "fertilizer", 6: "sprayer", 7: "harvester", 8: "root harvester", 9: "forage harvester",
	10: "irrigation", 11: "transport or trailer", 12: "farmyard", 13: "powered auxiliary", 14: "special crop",
	15: "municipal", 17: "sensor system", 19: "timber", 20: "timber", 21: "timber", 22: "timber",
	23: "mulcher", 24: "utility vehicle", 25: "slurry", 26: "feeder or mixer",
}

// ClassWords names the device class of an agricultural node; empty if the
// class is not known or the node is of another industry.
func (n Name) ClassWords() string {
	if n.Group() != 2 {
		return ""
	}
	return classWords[n.Class()]
}

// Functions 0 to 127 mean the same in every group (ISO 11783-1).
var commonFunctions = map[uint8]string{
	0: "engine", 3: "transmission", 6: "power take-off, rear or primary", 19: "instrument cluster",
	23: "vehicle navigation", 25: "network interconnect", 27: "power take-off, front or secondary",
	28: "off-vehicle gateway", 29: "virtual terminal", 33: "system monitor", 34: "hydraulic pump controller",
	37: "cab controller", 66: "input and output controller",
}

// Functions from 128 depend on the group and the class.
var agriculturalFunctions = map[[2]uint8]string{ // class, function
	{0, 128}: "non-VT display", {0, 129}: "operator controls", {0, 130}: "task controller",
	{0, 134}: "tractor ECU", {0, 139}: "data logger", {0, 142}: "implement management server",
	{7, 128}: "tailings monitor", {7, 129}: "header control", {7, 130}: "product loss monitor",
	{7, 131}: "product moisture",
}

// Functions that device classes of group 2 share, unless the class has its own.
var implementFunctions = map[uint8]string{
	132: "machine control", 133: "product flow", 134: "product level", 135: "depth or height control",
}

// FunctionWords says what the node does; empty if that is not known. The same
// number means different things in different classes.
func (n Name) FunctionWords() string {
	f := n.Function()
	if f < 128 {
		return commonFunctions[f]
	}
	if n.Group() != 2 {
		return ""
	}
	if w, ok := agriculturalFunctions[[2]uint8{n.Class(), f}]; ok {
		return w
	}
	if n.Class() == 0 {
		return ""
	}
	return implementFunctions[f]
}
