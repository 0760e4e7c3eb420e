package j1939

import "chaffinch/canbus/signal"

// Rule says which raw values of a field are values.
type Rule uint8

const (
	Ranges     Rule = iota // the ranges of SAE J1939-71 and ISO 11783-7, by width
	Limit                  // a 3-bit limit status: 4 and 5 are reserved too
	States                 // a list of states: only all ones is not available
	Whole                  // an identifier or text: every value means itself
	NMEA                   // NMEA 2000, unsigned
	NMEASigned             // NMEA 2000, two's complement
)

// Indicator is what a raw value says of itself.
type Indicator uint8

const (
	IsValue Indicator = iota
	IsParameterSpecific
	IsReserved
	IsError
	IsNotAvailable
)

var indicatorNames = [...]string{"value", "parameter specific", "reserved", "error", "not available"}

// String is the standard's word.
func (i Indicator) String() string {
	if int(i) < len(indicatorNames) {
		return indicatorNames[i]
	}
	return "invalid"
}

var indicatorQuality = [...]signal.Quality{
	IsValue: signal.Good, IsParameterSpecific: signal.OutOfRange, IsReserved: signal.OutOfRange,
	IsError: signal.SensorError, IsNotAvailable: signal.NotAvailable,
}

// Quality is what the indicator means for a reading.
func (i Indicator) Quality() signal.Quality { return indicatorQuality[i] }

// Indicate tells what a raw value of the given width (1 to 64 bits) says of
// itself under the rule.
func (r Rule) Indicate(raw uint64, bits uint8) Indicator {
	switch r {
	case Whole:
		return IsValue
	case NMEA:
		return indicateNMEA(raw, bits)
	case NMEASigned:
		// The largest positive values are the indicators: as if unsigned, one
		// bit shorter; negative values have the top bit and are values.
		if raw>>(bits-1)&1 == 1 {
			return IsValue
		}
		return indicateNMEA(raw, bits-1)
	case States:
		if raw == ones(bits) {
			return IsNotAvailable
		}
		return IsValue
	case Limit:
		if raw == 4 || raw == 5 {
			return IsReserved
		}
	}
	if bits >= 8 {
		return indicateTop(raw >> (bits - 8) & 0xFF)
	}
	if bits == 1 {
		return IsValue
	}
	switch ones(bits) - raw {
	case 0:
		return IsNotAvailable
	case 1:
		return IsError
	}
	return IsValue
}

// indicateTop tests the most significant byte alone: a 16-bit 0xFF12 is not
// available just as 0xFFFF is.
func indicateTop(top uint64) Indicator {
	switch {
	case top <= 0xFA:
		return IsValue
	case top == 0xFB:
		return IsParameterSpecific
	case top <= 0xFD:
		return IsReserved
	case top == 0xFE:
		return IsError
	}
	return IsNotAvailable
}

func indicateNMEA(raw uint64, bits uint8) Indicator {
	if bits < 2 {
		return IsValue
	}
	switch ones(bits) - raw {
	case 0:
		return IsNotAvailable
	case 1:
		return IsError
	case 2:
		if bits > 4 {
			return IsReserved
		}
	}
	return IsValue
}

// ones is the largest raw value of the width.
func ones(bits uint8) uint64 { return ^uint64(0) >> (64 - bits) }

// Largest is the largest raw value that is a value, for fields up to 63 bits.
func (r Rule) Largest(bits uint8) uint64 {
	switch {
	case r == Whole:
		return ones(bits)
	case r == NMEASigned:
		return ones(bits-1) - 3
	case r == NMEA && bits > 4:
		return ones(bits) - 3
	case r == States:
		return ones(bits) - 1
	case r == Limit:
		return 3
	case bits >= 8 && r != NMEA:
		return 0xFB<<(bits-8) - 1
	case bits == 1:
		return 1
	}
	return ones(bits) - 2
}
