package j1939

// LanguageCommand is how the operator wants to read numbers (PGN 65039,
// ISO 11783-7). Two-bit fields are 3 where the terminal has no opinion.
type LanguageCommand struct {
	Language     string // ISO 639, two letters
	Country      string // ISO 3166, two letters; empty if not given
	DecimalPoint bool   // point, else comma
	Hours12      bool   // 12 hour clock, else 24
	DateFormat   uint8  // 0 ddmmyyyy, 1 ddyyyymm, 2 mmyyyydd, 3 mmddyyyy, 4 yyyymmdd, 5 yyyyddmm

	// 0 metric, 1 imperial, 2 US.
	Distance, Area, Volume, Mass             uint8
	Temperature, Pressure, Force, UnitSystem uint8
}

// ParseLanguage reads PGN 65039. It is false if the payload is too short or
// names no language.
func ParseLanguage(payload []byte) (LanguageCommand, bool) {
	if len(payload) < 6 || !letters(payload[:2]) {
		return LanguageCommand{}, false
	}
	l := LanguageCommand{
		Language:     string(payload[:2]),
		DecimalPoint: payload[2]>>6 == 1,
		Hours12:      payload[2]>>4&3 == 1,
		DateFormat:   payload[3],
		Distance:     payload[4] >> 6, Area: payload[4] >> 4 & 3, Volume: payload[4] >> 2 & 3, Mass: payload[4] & 3,
		Temperature: payload[5] >> 6, Pressure: payload[5] >> 4 & 3, Force: payload[5] >> 2 & 3, UnitSystem: payload[5] & 3,
	}
	if len(payload) >= 8 && letters(payload[6:8]) {
		l.Country = string(payload[6:8])
	}
	return l, true
}

func letters(b []byte) bool {
	for _, c := range b {
		if c|0x20 < 'a' || c|0x20 > 'z' {
			return false
		}
	}
	return true
}
