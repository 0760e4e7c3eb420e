package processdata

import (
	"encoding/binary"
	"errors"
	"time"
)

// TimeFields says which fields the records of a time log have: those whose
// attribute stands empty in the log's header (ISO 11783-10, TIM and PTN).
type TimeFields struct {
	North, East, Up, Status, PDOP, HDOP, Satellites, GPSTime, GPSDate bool
}

// TimeRecord is one record of a binary time log. What the fields leave out is
// zero.
type TimeRecord struct {
	Time        time.Time // the standard gives no zone; UTC here
	NorthDeg    float64
	EastDeg     float64
	UpMM        int32
	Status      uint8 // as DDI 514
	PDOP, HDOP  float64
	Satellites  uint8
	GPSTimeMS   uint32 // of the day
	GPSDateDays uint16 // since 1980-01-01
	Values      []TimeValue
}

// TimeValue is a value of a record; Index counts the DLV elements of the header.
type TimeValue struct {
	Index uint8
	Value int32
}

// timeLogEpoch is day 0 of a time log.
var timeLogEpoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// ParseTimeRecord reads the record at the beginning of b and returns what
// follows it.
func ParseTimeRecord(b []byte, has TimeFields) (r TimeRecord, rest []byte, err error) {
	whole := true
	take := func(n int) []byte {
		if len(b) < n {
			whole, b = false, nil
			return make([]byte, n)
		}
		field := b[:n]
		b = b[n:]
		return field
	}
	u8 := func() uint8 { return take(1)[0] }
	u16 := func() uint16 { return binary.LittleEndian.Uint16(take(2)) }
	u32 := func() uint32 { return binary.LittleEndian.Uint32(take(4)) }
	ms, days := u32(), u16()
	r.Time = timeLogEpoch.AddDate(0, 0, int(days)).Add(time.Duration(ms) * time.Millisecond)
	if has.North {
		r.NorthDeg = float64(int32(u32())) / 1e7
	}
	if has.East {
		r.EastDeg = float64(int32(u32())) / 1e7
	}
	if has.Up {
		r.UpMM = int32(u32())
	}
	if has.Status {
		r.Status = u8()
	}
	if has.PDOP {
		r.PDOP = float64(u16()) / 10
	}
	if has.HDOP {
		r.HDOP = float64(u16()) / 10
	}
	if has.Satellites {
		r.Satellites = u8()
	}
	if has.GPSTime {
		r.GPSTimeMS = u32()
	}
	if has.GPSDate {
		r.GPSDateDays = u16()
	}
	for range u8() {
		r.Values = append(r.Values, TimeValue{u8(), int32(u32())})
	}
	if !whole {
		return TimeRecord{}, nil, errors.New("processdata: a time log record is cut off")
	}
	return r, b, nil
}
