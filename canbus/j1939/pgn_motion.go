package j1939

// Speed, distance, position and time: ISO 11783-7 (public data base of
// isobus.net, AgIsoStack++) and SAE J1939-71 (J1939-Framework, can-utils).
var motionMessages = []Message{
	{WheelSpeed, "wheel-based speed and distance", []Field{
		u16(1, 1862, "wheel-based speed", 0.001, 0, "m/s"),
		u32(3, 1863, "wheel-based distance", 0.001, 0, "m"),
		u8(7, 1866, "maximum time of tractor power", 1, 0, "min"),
		state(8, 1, 2, 1864, "wheel-based direction"), // 0 reverse, 1 forward
		state(8, 3, 2, 1865, "key switch"),
		state(8, 5, 2, 5203, "implement start or stop operations"),
		state(8, 7, 2, 5244, "operator direction reversed"),
	}},
	{GroundSpeed, "ground-based speed and distance", []Field{
		u16(1, 1859, "ground-based speed", 0.001, 0, "m/s"), // SPN from memory
		u32(3, 1860, "ground-based distance", 0.001, 0, "m"),
		state(8, 1, 2, 1861, "ground-based direction"),
	}},
	{SelectedSpeed, "machine selected speed", []Field{
		u16(1, 4305, "machine selected speed", 0.001, 0, "m/s"),
		u32(3, 4306, "machine selected distance", 0.001, 0, "m"),
		state(7, 1, 6, 5818, "exit or reason code"),
		state(8, 1, 2, 4309, "machine selected direction"),
		state(8, 3, 3, 4308, "machine selected speed source"), // 4 simulated
		state(8, 6, 3, 4307, "limit status").rule(Limit),
	}},
	{64835, "machine selected speed command", []Field{ // never a measurement
		u16(1, 4310, "speed set point command", 0.001, 0, "m/s"),
		u16(3, 4311, "speed limit command", 0.001, 0, "m/s"),
		state(8, 1, 2, 4312, "direction command"),
	}},
	{CruiseVehicleSpeed, "cruise control and vehicle speed", []Field{
		state(1, 3, 2, 70, "parking brake"),
		u16(2, 84, "wheel-based vehicle speed", 1.0/256, 0, "km/h"),
		state(7, 1, 5, 976, "power take-off governor state"),
	}},
	{65248, "vehicle distance", []Field{
		u32(1, 244, "trip distance", 0.125, 0, "km"),
		u32(5, 245, "total distance", 0.125, 0, "km"),
	}},
	{65217, "vehicle distance, high resolution", []Field{
		u32(1, 917, "total distance, high resolution", 5, 0, "m"),
	}},
	{VehicleDirection, "vehicle direction and speed", []Field{ // layout from memory
		u16(1, 165, "compass bearing", 1.0/128, 0, "deg").within(0, 360),
		u16(3, 517, "navigation-based speed", 1.0/256, 0, "km/h"),
		u16(5, 583, "pitch", 1.0/128, -200, "deg").within(-90, 90),
		u16(7, 580, "altitude", 0.125, -2500, "m"),
	}},
	// Raw 0 is in the range of the type but no place on earth.
	{VehiclePosition, "vehicle position", []Field{
		u32(1, 584, "latitude", 1e-7, -210, "deg").within(-90, 90),
		u32(5, 585, "longitude", 1e-7, -210, "deg").within(-180, 180),
	}},
	{64502, "vehicle position 2", []Field{
		u8(1, 8128, "satellites", 1, 0, ""),
		u8(2, 8129, "horizontal dilution of precision", 0.1, 0, ""),
		u8(3, 8130, "vertical dilution of precision", 0.1, 0, ""),
		u8(4, 8131, "position dilution of precision", 0.1, 0, ""),
		u8(5, 8132, "time dilution of precision", 0.1, 0, ""),
	}},
	{TimeDate, "time and date", []Field{ // see ParseTimeDate
		u8(1, 959, "seconds", 0.25, 0, "s").within(0, 59.75),
		u8(2, 960, "minutes", 1, 0, "min").within(0, 59),
		u8(3, 961, "hours", 1, 0, "h").within(0, 23),
		u8(4, 963, "month", 1, 0, "").within(1, 12),
		u8(5, 962, "day", 0.25, 0, "d").within(0.25, 31),
		u8(6, 964, "year", 1, 1985, ""),
		u8(7, 1601, "local minute offset", 1, -125, "min").within(-59, 59),
		u8(8, 1602, "local hour offset", 1, -125, "h").within(-24, 23),
	}},
}

// NMEA 2000 messages as ISO 11783-7 uses them (canboat's PGN data base and
// tests, AgIsoStack++). NMEA numbers no parameters: SPN is 0.
var nmeaMessages = []Message{
	{PositionRapid, "position, rapid update", []Field{
		signed(1, 32, "latitude", 1e-7, "deg").within(-90, 90),
		signed(5, 32, "longitude", 1e-7, "deg").within(-180, 180),
	}},
	{CourseSpeedRapid, "course and speed over ground, rapid update", []Field{
		sequence(1),
		state(2, 1, 2, 0, "course reference").rule(NMEA), // 0 true, 1 magnetic
		u16(3, 0, "course over ground", 1e-4, 0, "rad").rule(NMEA).within(0, 6.2832),
		u16(5, 0, "speed over ground", 0.01, 0, "m/s").rule(NMEA),
	}},
	{SystemTime, "system time", []Field{
		sequence(1),
		state(2, 1, 4, 0, "time source").rule(NMEA),
		u16(3, 0, "days since 1970", 1, 0, "d").rule(NMEA),
		u32(5, 0, "time of day", 1e-4, 0, "s").rule(NMEA).within(0, 86401),
	}},
	{VesselHeading, "heading", []Field{
		sequence(1),
		u16(2, 0, "heading", 1e-4, 0, "rad").rule(NMEA).within(0, 6.2832),
		signed(4, 16, "deviation", 1e-4, "rad"),
		signed(6, 16, "variation", 1e-4, "rad"),
		state(8, 1, 2, 0, "heading reference").rule(NMEA),
	}},
	// Arrives as a fast packet. Stations, if any, follow byte 43.
	{GNSSPosition, "GNSS position", []Field{
		sequence(1),
		u16(2, 0, "days since 1970", 1, 0, "d").rule(NMEA),
		u32(4, 0, "time of day", 1e-4, 0, "s").rule(NMEA).within(0, 86401),
		signed(8, 64, "latitude", 1e-16, "deg").within(-90, 90),
		signed(16, 64, "longitude", 1e-16, "deg").within(-180, 180),
		signed(24, 64, "altitude", 1e-6, "m").within(-20000, 1e6),
		state(32, 1, 4, 0, "GNSS system").rule(NMEA),
		state(32, 5, 4, 0, "GNSS method").rule(NMEA), // 0 none, 8 simulated
		state(33, 1, 2, 0, "integrity").rule(NMEA),
		u8(34, 0, "satellites used", 1, 0, "").rule(NMEA),
		signed(35, 16, "horizontal dilution of precision", 0.01, ""),
		signed(37, 16, "position dilution of precision", 0.01, ""),
		signed(39, 32, "geoid separation", 0.01, "m"),
		u8(43, 0, "reference stations", 1, 0, "").rule(NMEA),
	}},
	{129539, "dilution of precision", []Field{
		sequence(1),
		state(2, 1, 3, 0, "desired mode").rule(NMEA),
		state(2, 4, 3, 0, "actual mode").rule(NMEA),
		signed(3, 16, "horizontal dilution of precision", 0.01, ""),
		signed(5, 16, "vertical dilution of precision", 0.01, ""),
		signed(7, 16, "time dilution of precision", 0.01, ""),
	}},
}

// signed is an NMEA 2000 field in two's complement.
func signed(b int, bits uint8, name string, scale float64, unit string) Field {
	return number(at(b, 1), bits, 0, name, scale, 0, unit).rule(NMEASigned)
}

// sequence is the number that ties the messages of one fix together.
func sequence(b int) Field { return u8(b, 0, "sequence", 1, 0, "").rule(Whole) }
