package j1939

// Engine, electrical and fluid messages of SAE J1939-71. Layouts confirmed by
// canboat's PGN data base, the J1939-Framework frame data base and the Laixer
// J1939 crate; those marked "from memory" were not seen confirmed.
var engineMessages = []Message{
	{EEC1, "electronic engine controller 1", []Field{
		state(1, 1, 4, 899, "engine torque mode").rule(States),
		number(at(1, 5), 4, 4154, "actual engine torque, fraction", 0.125, 0, "%").within(0, 0.875),
		u8(2, 512, "driver's demand torque", 1, -125, "%"),
		u8(3, 513, "actual engine torque", 1, -125, "%"),
		u16(4, 190, "engine speed", 0.125, 0, "rpm"),
		u8(6, 1483, "address of the controlling device", 1, 0, "").rule(States),
		state(7, 1, 4, 1675, "starter mode"),
		u8(8, 2432, "engine demand torque", 1, -125, "%"),
	}},
	{EEC2, "electronic engine controller 2", []Field{
		state(1, 1, 2, 558, "pedal 1 low idle switch"),
		state(1, 3, 2, 559, "kickdown switch"),
		state(1, 5, 2, 1437, "road speed limit status"),
		state(1, 7, 2, 2970, "pedal 2 low idle switch"),
		u8(2, 91, "accelerator pedal 1 or hand throttle", 0.4, 0, "%"),
		u8(3, 92, "engine load at current speed", 1, 0, "%"),
		u8(4, 974, "remote accelerator", 0.4, 0, "%"),
		u8(5, 29, "accelerator pedal 2", 0.4, 0, "%"),
		u8(7, 3357, "maximum available torque", 0.4, 0, "%"),
	}},
	{EEC3, "electronic engine controller 3", []Field{
		u8(1, 514, "nominal friction torque", 1, -125, "%"),
		u16(2, 515, "desired operating speed", 0.125, 0, "rpm"),
		u8(4, 519, "desired speed asymmetry", 1, 0, ""), // from memory
		u8(5, 2978, "parasitic losses torque", 1, -125, "%"),
	}},
	// The order of the fields was seen in a generated structure listing;
	// offsets and numbers are from memory. Older engines send 28 or 34 bytes.
	{EngineConfiguration, "engine configuration 1", []Field{
		u16(1, 188, "speed at idle, point 1", 0.125, 0, "rpm"),
		u8(3, 539, "torque at idle, point 1", 1, -125, "%"),
		u16(4, 528, "speed, point 2", 0.125, 0, "rpm"),
		u8(6, 540, "torque, point 2", 1, -125, "%"),
		u16(7, 529, "speed, point 3", 0.125, 0, "rpm"),
		u8(9, 541, "torque, point 3", 1, -125, "%"),
		u16(10, 530, "speed, point 4", 0.125, 0, "rpm"),
		u8(12, 542, "torque, point 4", 1, -125, "%"),
		u16(13, 531, "speed, point 5", 0.125, 0, "rpm"),
		u8(15, 543, "torque, point 5", 1, -125, "%"),
		u16(16, 532, "high idle speed, point 6", 0.125, 0, "rpm"),
		u16(18, 545, "end-speed governor gain", 1.0/1280, 0, "%/rpm"),
		u16(20, 544, "reference torque", 1, 0, "Nm"),
		u16(22, 533, "momentary overspeed, point 7", 0.125, 0, "rpm"),
		u8(24, 534, "overspeed time limit", 0.1, 0, "s"),
		u8(25, 535, "speed control range, low", 10, 0, "rpm"),
		u8(26, 536, "speed control range, high", 10, 0, "rpm"),
		u8(27, 537, "torque control range, low", 1, -125, "%"),
		u8(28, 538, "torque control range, high", 1, -125, "%"),
		u16(29, 1712, "extended speed control upper limit", 0.125, 0, "rpm"),
		u16(31, 1794, "moment of inertia", 0.004, 0, "kg.m2"),
		u16(33, 1846, "default torque limit", 1, 0, "Nm"),
	}},
	{FuelEconomy, "fuel economy", []Field{
		u16(1, 183, "fuel rate", 0.05, 0, "L/h"),
		u16(3, 184, "instantaneous fuel economy", 1.0/512, 0, "km/L"),
		u16(5, 185, "average fuel economy", 1.0/512, 0, "km/L"),
		u8(7, 51, "throttle valve", 0.4, 0, "%"),
	}},
	{65253, "engine hours", []Field{
		u32(1, 247, "engine hours", 0.05, 0, "h"),
		u32(5, 249, "engine revolutions", 1000, 0, "r"),
	}},
	{65257, "fuel used", []Field{
		u32(1, 182, "trip fuel", 0.5, 0, "L"),
		u32(5, 250, "total fuel", 0.5, 0, "L"),
	}},
	{64777, "fuel used, high resolution", []Field{
		u32(5, 5054, "total fuel, high resolution", 0.001, 0, "L"),
	}},
	{EngineTemperature, "engine temperature 1", []Field{
		u8(1, 110, "coolant temperature", 1, -40, "Cel"),
		u8(2, 174, "fuel temperature", 1, -40, "Cel"),
		u16(3, 175, "engine oil temperature", 1.0/32, -273, "Cel"),
		u16(5, 176, "turbocharger oil temperature", 1.0/32, -273, "Cel"),
		u8(7, 52, "intercooler temperature", 1, -40, "Cel"),
		u8(8, 1134, "intercooler thermostat opening", 0.4, 0, "%"),
	}},
	{65263, "engine fluid level and pressure", []Field{
		u8(1, 94, "fuel delivery pressure", 4, 0, "kPa"),
		u8(2, 22, "crankcase blow-by pressure", 0.05, 0, "kPa"),
		u8(3, 98, "engine oil level", 0.4, 0, "%"),
		u8(4, 100, "engine oil pressure", 4, 0, "kPa"),
		u16(5, 101, "crankcase pressure", 1.0/128, -250, "kPa"),
		u8(7, 109, "coolant pressure", 2, 0, "kPa"),
		u8(8, 111, "coolant level", 0.4, 0, "%"),
	}},
	{65269, "ambient conditions", []Field{
		u8(1, 108, "barometric pressure", 0.5, 0, "kPa"),
		u16(2, 170, "cab temperature", 1.0/32, -273, "Cel"),
		u16(4, 171, "ambient temperature", 1.0/32, -273, "Cel"),
		u8(6, 172, "air inlet temperature", 1, -40, "Cel"),
		u16(7, 79, "surface temperature", 1.0/32, -273, "Cel"),
	}},
	{65271, "vehicle electrical power", []Field{
		u16(5, 168, "battery voltage", 0.05, 0, "V"),
		u16(7, 158, "battery voltage behind the key switch", 0.05, 0, "V"),
	}},
	{65276, "dash display", []Field{ // all but SPN 96 from memory
		u8(1, 80, "washer fluid level", 0.4, 0, "%"),
		u8(2, 96, "fuel level 1", 0.4, 0, "%"),
		u8(3, 95, "fuel filter differential pressure", 2, 0, "kPa"),
		u8(4, 99, "oil filter differential pressure", 0.5, 0, "kPa"),
		u8(7, 38, "fuel level 2", 0.4, 0, "%"),
	}},
	{65110, "exhaust fluid tank", []Field{
		u8(1, 1761, "exhaust fluid level", 0.4, 0, "%"),
	}},
	{65272, "transmission fluids 1", []Field{
		u8(1, 123, "clutch pressure", 16, 0, "kPa"),
		u8(2, 124, "transmission oil level", 0.4, 0, "%"),
		u8(3, 126, "transmission filter differential pressure", 2, 0, "kPa"),
		u8(4, 127, "transmission oil pressure", 16, 0, "kPa"),
		u16(5, 177, "transmission oil temperature", 1.0/32, -273, "Cel"),
	}},
	{65213, "fan drive", []Field{
		u8(1, 975, "fan speed", 0.4, 0, "%"),
		u16(3, 1639, "fan speed, revolutions", 0.125, 0, "rpm"),
	}},
	{65128, "vehicle fluids", []Field{ // layout from memory
		u8(1, 1638, "hydraulic oil temperature", 1, -40, "Cel"),
		u8(2, 2602, "hydraulic oil level", 0.4, 0, "%"),
	}},
	{61448, "hydraulic pressure governor", []Field{ // layout from memory
		u16(1, 1762, "hydraulic pressure", 2, 0, "kPa"),
	}},
}
