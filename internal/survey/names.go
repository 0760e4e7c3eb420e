package survey

import (
	"fmt"
	"strings"

	"chaffinch/canbus/j1939"
)

// groupNames are open parameter groups that chaffinch takes nothing from, in
// our words (SAE J1939-21, -71, -73, numbers checked against a public list of
// the groups; those of NMEA 2000 from canboat's table, from memory).
var groupNames = map[j1939.PGN]string{
	0: "torque or speed command", 256: "transmission command", 1024: "brake request", 57344: "cab message",
	58880: "virtual terminal to node", 59136: "node to virtual terminal", 59392: "acknowledgement",
	j1939.Request: "request", j1939.AddressClaimed: "address claim", j1939.CommandedAddress: "commanded address",
	j1939.TransportConnection: "transport: control", j1939.TransportData: "transport: data",
	51200: "long transport: control", 50944: "long transport: data", j1939.ProcessData: "process data",
	61440: "retarder", 61441: "brake controller 1", 61442: "transmission controller 1", 61445: "transmission controller 2",
	61446: "axle controller 1", 61449: "vehicle stability 2", 61450: "engine gas flow", 61451: "steering control",
	61454: "exhaust before aftertreatment", 61455: "exhaust behind aftertreatment",
	61466: "throttle and fuel actuator command", 61469: "steering angle sensor", 61475: "exhaust fluid dosing",
	65098: "transmission controller 7", 65103: "vehicle stability 1", 65104: "battery temperature",
	65105: "adaptive cruise, operator", 65112: "air suspension 4", 65113: "air suspension 3", 65114: "air suspension 1",
	65129: "engine temperature 3", 65132: "tachograph", 65134: "wheel speed, high resolution", 65135: "adaptive cruise",
	65170: "engine information 1", 65172: "engine auxiliary coolant", 65174: "turbocharger wastegate",
	65198: "air supply pressure", 65215: "wheel speed", 65219: "transmission controller 5",
	j1939.DM1: "active fault codes (DM1)", j1939.DM2: "earlier fault codes (DM2)", 65237: "alternator",
	// From memory, SAE J1939-71:
	64914: "engine operating information", 64916: "engine controller 7", 64946: "exhaust temperatures, middle", 64947: "exhaust temperatures, outlet",
	64948: "exhaust temperatures, intake", 65091: "rear power take-off", 65092: "front power take-off",
	65242: "software identification", 65243: "engine fluids 2", 65252: "shutdown", 65255: "vehicle hours",
	65259: "component identification", 65260: "vehicle identification", 65264: "power take-off information",
	65268: "tyre condition", 65270: "intake and exhaust", 65274: "brakes", 65279: "water in fuel",
	// NMEA 2000:
	126208: "group function", 126464: "list of groups", 126993: "heartbeat", 126996: "product information",
	127237: "heading and track control", 127245: "rudder", 127251: "rate of turn", 127252: "heave", 127257: "attitude",
	127258: "magnetic variation", 127508: "battery", 128000: "leeway", 128259: "speed through water", 128267: "water depth",
	128275: "distance log", 129038: "AIS position A", 129039: "AIS position B", 129283: "cross-track error",
	129284: "navigation data", 129540: "satellites in view", 130306: "wind", 130310: "environment", 130311: "environment",
	130312: "temperature", 130314: "pressure", 130578: "vessel speed components",
}

// groupWords names a parameter group.
func groupWords(p j1939.PGN) string {
	if m := j1939.Lookup(p); m != nil {
		return m.Name
	}
	if w := groupNames[p]; w != "" {
		return w
	}
	switch {
	case p.Proprietary():
		return "maker's own"
	case p >= 126208:
		return "NMEA 2000, not used here"
	}
	return "open, not used here"
}

// usualPlaces are the addresses that SAE J1939 (table B2) and ISO 11783-5 give
// to functions. A node may sit elsewhere, so they are a hint and no more.
var usualPlaces = map[uint8]string{
	0: "the engine", 1: "a second engine", 3: "the transmission", 5: "the shift console", 6: "a second shift console",
	7: "the rear power take-off", 8: "the steer axle", 9: "the drive axle", 11: "the brakes",
	15: "the engine retarder", 16: "the driveline retarder", 17: "cruise control", 18: "the fuel system",
	19: "the steering", 23: "the instrument cluster", 24: "the trip recorder", 25: "the cab climate",
	26: "the charging system", 28: "navigation", 29: "vehicle security", 30: "the electrical system",
	33: "the body controller", 34: "auxiliary valves", 35: "the hitch", 36: "the front power take-off",
	37: "an off-vehicle gateway", 38: "the virtual terminal", 39: "a management computer", 40: "the cab display",
	42: "distance keeping", 43: "on-board diagnosis", 45: "the endurance brake", 46: "the hydraulic pump",
	47: "the suspension", 48: "the pneumatic system", 49: "the cab controller", 51: "the tyre pressure system",
	240: "the tractor ECU", 241: "the returns monitor", 242: "the header control", 243: "the loss monitor",
	244: "the moisture sensor", 247: "the task controller", 249: "a service tool", 251: "a data logger",
}

// marineGroup is the industry group of boats.
const marineGroup = 4

// marineClasses are the device classes of industry group 4 (NMEA 2000; canboat).
var marineClasses = map[uint8]string{
	10: "system tool", 20: "safety", 25: "network", 30: "electrical distribution", 35: "electrical generation",
	40: "steering", 50: "propulsion", 60: "navigation", 70: "communication", 75: "sensors", 80: "instruments",
	85: "weather and water", 90: "inside climate", 100: "deck", 110: "operator's controls", 120: "display", 125: "entertainment",
}

func nameHex(n j1939.Name) string { return fmt.Sprintf("%016X", uint64(n)) }

// nameWords says what a NAME says.
func nameWords(n j1939.Name) string {
	what := n.FunctionWords()
	class := n.ClassWords()
	if n.Group() == marineGroup {
		class = marineClasses[n.Class()]
	}
	if what == "" {
		what = fmt.Sprintf("function %d", n.Function())
	}
	if i := n.FunctionInstance(); i > 0 {
		what += fmt.Sprintf(" no. %d", i+1)
	}
	parts := []string{what}
	switch {
	case class == "" && n.Class() != 0 && n.Class() != 127:
		parts = append(parts, fmt.Sprintf("class %d", n.Class()))
	case class != "" && class != "non-specific":
		parts = append(parts, class)
	}
	if n.Group() != 0 {
		parts = append(parts, n.GroupWords())
	}
	return strings.Join(parts, ", ")
}

// tells are groups whose sender can be guessed, the surest first.
var tells = []struct {
	pgn   j1939.PGN
	words string
}{
	{j1939.EEC1, "probably the engine"},
	{61442, "probably the transmission"}, {61445, "probably the transmission"},
	{61441, "probably the brakes"}, {65215, "probably the brakes"},
	{65132, "probably the tachograph"},
	{j1939.GNSSPosition, "a GNSS receiver"}, {j1939.PositionRapid, "a GNSS receiver"}, {j1939.VehiclePosition, "a GNSS receiver"},
	{j1939.SelectedSpeed, "probably the tractor ECU"}, {j1939.WheelSpeed, "probably the tractor ECU"},
	{j1939.FrontHitch, "probably the tractor ECU"},
	{58880, "a virtual terminal"},
	{61475, "probably the exhaust aftertreatment"},
	{j1939.CruiseVehicleSpeed, "it tells a vehicle speed"},
}

// guess says what can be said of a node that has not claimed its address.
func (s *Survey) guess(k node) string {
	if k.Address == j1939.NullAddress {
		return "nodes that have no address"
	}
	if s.controllers[k] {
		return "no claim heard; a task controller by its status"
	}
	place := ""
	if !s.marine() {
		place = usualPlaces[k.Address]
	}
	for _, t := range tells {
		if !s.sends(k, t.pgn) {
			continue
		}
		words := fmt.Sprintf("no claim heard; sends %s: %s", groupWords(t.pgn), t.words)
		if place != "" && !strings.HasSuffix(t.words, place) {
			words += "; the address is usually that of " + place
		}
		return words
	}
	if place != "" {
		return "no claim heard; the address is usually that of " + place
	}
	return "no claim heard"
}

// marine tells whether this is a boat's network, as any node claims.
func (s *Survey) marine() bool {
	for _, n := range s.names {
		if n.Group() == marineGroup {
			return true
		}
	}
	return false
}

func (s *Survey) sends(k node, pgn j1939.PGN) bool {
	return s.streams[stream{k, pgn, false}] != nil || s.streams[stream{k, pgn, true}] != nil
}

// printable keeps what a foreign device says from moving a terminal's cursor.
func printable(text string) string {
	const longest = 60
	clean := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F || r >= 0x80 && r < 0xA0 || r == '\uFFFD' || r >= 0x2028 && r <= 0x202E || r >= 0x2066 && r <= 0x2069 {
			return '?'
		}
		return r
	}, text)
	if r := []rune(clean); len(r) > longest {
		return string(r[:longest-1]) + "…"
	}
	return clean
}
