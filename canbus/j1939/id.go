package j1939

// PGN is a parameter group number, 18 bits: extended data page, data page,
// PDU format and, for broadcast groups, the group extension.
type PGN uint32

// Addresses with a meaning of their own (SAE J1939-81).
const (
	NullAddress   = 254 // a node without an address: the sender of a cannot-claim
	GlobalAddress = 255 // everybody: never a sender
)

// Parameter groups that the program handles by name.
const (
	Request             PGN = 59904
	AddressClaimed      PGN = 60928
	TransportConnection PGN = 60416 // TP.CM
	TransportData       PGN = 60160 // TP.DT
	ProcessData         PGN = 51968
	DM1                 PGN = 65226
	DM2                 PGN = 65227
	EngineConfiguration PGN = 65251 // EC1
	TimeDate            PGN = 65254
	Language            PGN = 65039
	SystemTime          PGN = 126992
	PositionRapid       PGN = 129025
	CourseSpeedRapid    PGN = 129026
	GNSSPosition        PGN = 129029
	EEC1                PGN = 61444
	EEC2                PGN = 61443
	EEC3                PGN = 65247
	FuelEconomy         PGN = 65266
	EngineTemperature   PGN = 65262
	VehiclePosition     PGN = 65267
	VehicleDirection    PGN = 65256
	CruiseVehicleSpeed  PGN = 65265
	WheelSpeed          PGN = 65096
	GroundSpeed         PGN = 65097
	SelectedSpeed       PGN = 61474
	FrontHitch          PGN = 65094
	RearHitch           PGN = 65093
	MaintainPower       PGN = 65095
	VesselHeading       PGN = 127250
)

// Identifier is a 29-bit CAN identifier taken apart (SAE J1939-21,
// ISO 11783-3). Priority is not part of a message's identity.
type Identifier struct {
	PGN         PGN
	Priority    uint8 // 0 is the most urgent
	Source      uint8
	Destination uint8 // GlobalAddress for broadcast groups
}

// ParseID takes an identifier apart. It is false for what is not a J1939
// parameter group: both page bits set (ISO 15765-3), or more than 29 bits.
func ParseID(id uint32) (Identifier, bool) {
	if id > 0x1FFFFFFF || id>>24&3 == 3 {
		return Identifier{}, false
	}
	i := Identifier{Priority: uint8(id >> 26), Source: uint8(id), Destination: GlobalAddress}
	i.PGN = PGN(id >> 8 & 0x3FFFF)
	if !i.PGN.Broadcast() {
		i.Destination = uint8(i.PGN)
		i.PGN &^= 0xFF
	}
	return i, true
}

// Broadcast tells whether the group is of the kind PDU2, whose low byte
// belongs to the number and which always goes to everybody.
func (p PGN) Broadcast() bool { return p>>8&0xFF >= 240 }

// Valid tells whether the number can be a parameter group: 18 bits, not both
// page bits, and a low byte of zero unless it is a broadcast group.
func (p PGN) Valid() bool {
	return p <= 0x2FFFF && (p.Broadcast() || p&0xFF == 0)
}

// Proprietary tells whether the layout of the group is the sender's own.
func (p PGN) Proprietary() bool {
	return p == 61184 || p == 126720 || p >= 65280 && p <= 65535 || p >= 130816 && p <= 131071
}
