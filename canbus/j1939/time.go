package j1939

import (
	"encoding/binary"
	"time"
)

// BusTime is what a time and date message says (PGN 65254, SAE J1939-71).
type BusTime struct {
	UTC time.Time
	// Quarter is the quarter of the day, 0 to 3, that the day field gives too.
	Quarter int
	// Offset of local time from UTC, east positive; known if OffsetKnown.
	OffsetHours, OffsetMinutes int
	OffsetKnown                bool
}

// ParseTimeDate reads PGN 65254. It is false if any of date and time is not
// available or no calendar date.
func ParseTimeDate(payload []byte) (BusTime, bool) {
	if len(payload) < 8 {
		return BusTime{}, false
	}
	second, minute, hour, month, day, year := payload[0], payload[1], payload[2], payload[3], payload[4], payload[5]
	if second > 239 || minute > 59 || hour > 23 || month < 1 || month > 12 || day < 1 || day > 124 || year > 250 {
		return BusTime{}, false
	}
	// Each day is four raw values: 1 to 4 are the first.
	b := BusTime{Quarter: int(day-1) % 4}
	b.UTC = time.Date(1985+int(year), time.Month(month), int(day+3)/4, int(hour), int(minute),
		int(second)/4, int(second)%4*250_000_000, time.UTC)
	if b.UTC.Month() != time.Month(month) { // such as 30 February
		return BusTime{}, false
	}
	m, h := int(payload[6])-125, int(payload[7])-125
	if m >= -59 && m <= 59 && h >= -24 && h <= 23 {
		b.OffsetMinutes, b.OffsetHours, b.OffsetKnown = m, h, true
	}
	return b, true
}

// ParseSystemTime reads NMEA 2000 PGN 126992: the instant in UTC and its
// source (0 GPS, 1 GLONASS, 2 radio, 3 to 5 local clocks).
func ParseSystemTime(payload []byte) (utc time.Time, source uint8, ok bool) {
	if len(payload) < 8 {
		return time.Time{}, 0, false
	}
	utc, ok = daysAndTime(payload[2:])
	return utc, payload[1] & 15, ok
}

// daysAndTime reads the date and time of NMEA 2000: u16 days since 1970, u32
// time of day in units of 100 microseconds. A leap second is allowed.
func daysAndTime(b []byte) (time.Time, bool) {
	days, tenths := binary.LittleEndian.Uint16(b), binary.LittleEndian.Uint32(b[2:])
	if days > 65532 || tenths > 86401*10000 {
		return time.Time{}, false
	}
	return time.Unix(int64(days)*86400, int64(tenths)*100_000).UTC(), true
}

// Fix is the time of PGN 129029 and how the receiver got it. Positions are
// read by the fields of the message.
type Fix struct {
	UTC       time.Time
	TimeKnown bool
	Method    uint8 // 0 no fix, 1 GNSS, 2 differential, 4 RTK fixed, 5 RTK float, 8 simulated
}

// ParseFix reads the time and the method of PGN 129029. It is false if the
// payload is shorter than the message without stations.
func ParseFix(payload []byte) (Fix, bool) {
	if len(payload) < 43 {
		return Fix{}, false
	}
	utc, ok := daysAndTime(payload[1:])
	return Fix{UTC: utc, TimeKnown: ok, Method: payload[31] >> 4}, true
}
