package j1939

// Diagnostic messages of SAE J1939-73 and ISO 11783-12: DM1, the active
// trouble codes, sent each second; DM2, those that were active before.

// LampState is the two bits of one lamp in a diagnostic message: 0 off, 1 on,
// 3 not available. In the flash byte: 0 slow, 1 fast, 3 steady.
type LampState uint8

// Lamps are the four lamps, or how each of them flashes.
type Lamps struct {
	Malfunction, Stop, Warning, Protect LampState
}

func lamps(b byte) Lamps {
	return Lamps{LampState(b >> 6), LampState(b >> 4 & 3), LampState(b >> 2 & 3), LampState(b & 3)}
}

// Lamp is one lamp, in order of urgency.
type Lamp uint8

const (
	NoLamp Lamp = iota
	ProtectLamp
	MalfunctionLamp
	WarningLamp
	StopLamp
)

// MostUrgent is the most urgent lamp that is on. Nodes of ISO 11783 leave all
// lamps not available, which is NoLamp.
func (l Lamps) MostUrgent() Lamp {
	switch {
	case l.Stop == 1:
		return StopLamp
	case l.Warning == 1:
		return WarningLamp
	case l.Malfunction == 1:
		return MalfunctionLamp
	case l.Protect == 1:
		return ProtectLamp
	}
	return NoLamp
}

// CountNotAvailable is the occurrence count of a sender that does not count.
const CountNotAvailable = 127

// Code is a diagnostic trouble code.
type Code struct {
	SPN   uint32 // 19 bits
	FMI   uint8  // failure mode, 0 to 31: see FMIWords
	Count uint8  // occurrences, CountNotAvailable if not counted
	// OldPacking is the conversion method bit. Set, it stands for three older
	// packings that the frame does not tell apart: SPN is then the reading in
	// the present packing, and Raw the bytes themselves.
	OldPacking bool
	Raw        [4]byte
}

// None tells whether the code is the standard's way to say "no fault" (SPN 0,
// FMI 0), or padding.
func (c Code) None() bool {
	return c.SPN == 0 && c.FMI == 0 || c.Raw == [4]byte{0xFF, 0xFF, 0xFF, 0xFF}
}

func parseCode(b [4]byte) Code {
	return Code{
		SPN:        uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2]>>5)<<16,
		FMI:        b[2] & 31,
		Count:      b[3] & 127,
		OldPacking: b[3]>>7 == 1,
		Raw:        b,
	}
}

// Diagnostic is a DM1 or DM2.
type Diagnostic struct {
	Lamps, Flash Lamps
	Codes        []Code // in the caller's slice
	Dropped      int    // codes that did not fit into it
}

// ParseDiagnostic reads the payload of a DM1 or DM2: a single frame with one
// code, or a reassembled message with any number. The codes, including those
// that are None, are put into the caller's slice from its beginning, up to its
// capacity; nothing is allocated. It is false if the payload is too short to
// hold the lamps and one code.
func ParseDiagnostic(payload []byte, into []Code) (Diagnostic, bool) {
	if len(payload) < 6 {
		return Diagnostic{}, false
	}
	d := Diagnostic{Lamps: lamps(payload[0]), Flash: lamps(payload[1]), Codes: into[:0]}
	for rest := payload[2:]; len(rest) >= 4; rest = rest[4:] {
		if len(d.Codes) == cap(d.Codes) {
			d.Dropped += len(rest) / 4
			break
		}
		d.Codes = append(d.Codes, parseCode([4]byte(rest)))
	}
	return d, true
}
