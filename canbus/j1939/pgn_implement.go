package j1939

import "strconv"

// Tractor and implement messages of ISO 11783-7 (public data base of
// isobus.net; numbers confirmed by AgIsoStack++).
var implementMessages = []Message{
	{RearHitch, "rear hitch", hitch(1873, 5151, 1877, 1881, 1879, 5819, "rear")},
	{FrontHitch, "front hitch", hitch(1872, 5150, 1876, 1880, 1878, 5816, "front")},
	{65091, "rear power take-off", pto(1883, 1885, 5156, 1892, 1890, 2408, 5159, 5158, 5157, 5820, "rear")},
	{65092, "front power take-off", pto(1882, 1884, 5152, 1891, 1889, 1888, 5155, 5154, 5153, 5817, "front")},
	{MaintainPower, "maintain power and implement state", []Field{
		state(1, 5, 2, 0, "actuator power"),
		state(1, 7, 2, 0, "ECU power"),
		state(2, 1, 2, 0, "in work state"),
		state(2, 3, 2, 0, "ready to work state"),
		state(2, 5, 2, 0, "park state"),
		state(2, 7, 2, 0, "transport state"),
	}},
	{64771, "implement operating state command", []Field{ // never a measurement
		state(8, 1, 2, 0, "implement operating state").rule(Whole), // 3 is "no action"
	}},
	{64770, "all implements stop switch", []Field{
		u8(7, 0, "stop switch transitions", 1, 0, ""),
		state(8, 1, 2, 5140, "all implements stop switch"),
	}},
	{44032, "guidance machine info", []Field{ // scale from memory
		u16(1, 0, "estimated curvature", 0.25, -8032, "1/km"),
	}},
}

// hitch has the layout that both hitches share. In work: 0 no, 1 yes.
func hitch(position, limit, work, force, draft, reason uint32, end string) []Field {
	return []Field{
		u8(1, position, end+" hitch position", 0.4, 0, "%"),
		state(2, 4, 3, limit, end+" hitch position limit status").rule(Limit),
		state(2, 7, 2, work, end+" hitch in work"),
		u8(3, force, end+" hitch nominal lower link force", 0.8, -100, "%"),
		u16(4, draft, end+" hitch draft", 10, -320000, "N"),
		state(6, 1, 6, reason, end+" hitch exit or reason code"),
	}
}

func pto(speed, set, request, economy, mode, engaged, limit, economyRequest, modeRequest, reason uint32, end string) []Field {
	return []Field{
		u16(1, speed, end+" power take-off speed", 0.125, 0, "rpm"),
		u16(3, set, end+" power take-off speed set point", 0.125, 0, "rpm"),
		state(5, 1, 2, request, end+" power take-off engagement request"),
		state(5, 3, 2, economy, end+" power take-off economy mode"),
		state(5, 5, 2, mode, end+" power take-off mode"), // 0 540 rpm, 1 1000 rpm: from memory
		state(5, 7, 2, engaged, end+" power take-off engaged"),
		state(6, 2, 3, limit, end+" power take-off speed limit status").rule(Limit),
		state(6, 5, 2, economyRequest, end+" power take-off economy request"),
		state(6, 7, 2, modeRequest, end+" power take-off mode request"),
		state(7, 1, 6, reason, end+" power take-off exit or reason code"),
	}
}

// valveMessages are the groups of the sixteen auxiliary valves.
func valveMessages() []Message {
	var all []Message
	for n := range PGN(16) {
		valve := "valve " + strconv.Itoa(int(n))
		all = append(all,
			Message{65040 + n, valve + " estimated flow", []Field{ // scale from memory
				u8(1, 0, "extend flow", 1, -125, "%"),
				u8(2, 0, "retract flow", 1, -125, "%"),
				state(3, 1, 4, 0, "valve state"), // 0 neutral, 1 extend, 2 retract, 3 float, 10 initialising
				state(3, 7, 2, 0, "fail-safe mode"),
				state(4, 6, 3, 0, "limit status").rule(Limit),
			}},
			Message{65056 + n, valve + " measured flow", []Field{
				u8(1, 0, "extend flow", 1, -125, "%"),
				u8(2, 0, "retract flow", 1, -125, "%"),
				u16(3, 0, "extend pressure", 5, 0, "kPa"),
				u16(5, 0, "retract pressure", 5, 0, "kPa"),
				u8(7, 0, "return pressure", 16, 0, "kPa"),
				state(8, 6, 3, 0, "limit status").rule(Limit),
			}},
			Message{65072 + n, valve + " command", []Field{ // never a measurement
				u8(1, 0, "port flow command", 0.4, 0, "%"),
				state(2, 1, 2, 0, "resolution mode"),
				state(3, 1, 4, 0, "valve state command"),
				state(3, 7, 2, 0, "fail-safe mode command"),
				u16(4, 0, "flow command", 1.0/640, 0, "%"),
			}})
	}
	return all
}
