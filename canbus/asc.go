package canbus

import (
	"bytes"
	"time"
)

// ascParser reads the asc form of logs, as log2asc writes it and asc2log reads
// it (can-utils log2asc.c, asc2log.c):
//
//	date Tue Nov 14 22:13:20 2023
//	base hex  timestamps absolute
//	   0.000000 1  CF00400x        Rx   d 8 20 7D 87 48 14 00 F0 87
//
// Channel 1 is can0, as in asc2log. The date has no zone and is taken for UTC.
type ascParser struct {
	date     int64 // nanoseconds since 1970
	decimal  bool  // base dec: identifiers and data
	relative bool  // each time counts from the line before
	elapsed  int64 // nanoseconds since date
	name     [8]byte
}

func newASCParser() *ascParser { return &ascParser{} }

// looksLikeASC tells by the first line that is not blank.
func looksLikeASC(line []byte) bool {
	return bytes.HasPrefix(line, []byte("date ")) || bytes.HasPrefix(line, []byte("base "))
}

// parse reads a line without blanks at its ends.
func (p *ascParser) parse(line []byte, f *Frame, names *nameTable) fault {
	word, rest := cutWord(line)
	switch string(word) {
	case "date":
		date, ok := parseASCDate(rest)
		if !ok {
			return faultDate
		}
		p.date, p.elapsed = date, 0
		return faultNotAFrame
	case "base":
		base, rest := cutWord(rest)
		p.decimal = string(base) == "dec"
		p.relative = bytes.Contains(rest, []byte("relative"))
		return faultNotAFrame
	}
	t, ok := parseASCTime(word)
	if !ok {
		return faultNotAFrame
	}
	word, rest = cutWord(rest)
	fd := string(word) == "CANFD"
	if fd {
		word, rest = cutWord(rest)
	}
	channel, ok := parseNumber(word, 10, 250)
	if !ok || channel == 0 {
		return faultNotAFrame // measurement events, statistics
	}
	before := int64(0)
	if p.relative {
		before = p.elapsed
	}
	if t > latest*1e9-p.date-before {
		return faultTime
	}
	t += before
	p.elapsed = t
	*f = Frame{Stamp: p.date + t}
	bad := fine
	if fd {
		bad = p.parseFD(rest, f)
	} else {
		bad = p.parseClassic(rest, f)
	}
	if bad != fine {
		return bad
	}
	name := append(p.name[:0], "can"...)
	index, ok := names.index(appendInt(name, int(channel)-1))
	if !ok {
		return faultNames
	}
	f.Interface = index
	return fine
}

// parseClassic reads "CF00400x  Rx  d 8 20 7D ..." or "ErrorFrame".
func (p *ascParser) parseClassic(b []byte, f *Frame) fault {
	word, b := cutWord(b)
	if string(word) == "ErrorFrame" {
		// The form does not say what error. Like asc2log: a bus error.
		f.ID, f.Flags, f.Len = 0x80, ErrorFrame, 8
		return fine
	}
	if bad := p.id(word, f); bad != fine {
		return bad
	}
	direction, b := cutWord(b)
	if string(direction) != "Rx" && string(direction) != "Tx" {
		return faultNotAFrame // such as TxRq: a wish, not a frame
	}
	kind, b := cutWord(b)
	word, b = cutWord(b)
	switch string(kind) {
	case "r":
		f.Flags |= Remote
		if len(word) == 1 {
			code := hexDigit[word[0]] & 0xF
			f.Code = min(code, 8)
		}
		return fine
	case "d":
		code, ok := parseNumber(word, 16, 15)
		if !ok {
			return faultLength
		}
		if code > 8 {
			f.Code = uint8(code)
		}
		return p.data(b, int(min(code, 8)), f)
	}
	return faultData
}

// parseFD reads what follows the channel of a CANFD line: direction,
// identifier, perhaps a name, bit rate switch, error state, length code,
// length, data, duration, length in bits, flags.
func (p *ascParser) parseFD(b []byte, f *Frame) fault {
	direction, b := cutWord(b)
	if string(direction) != "Rx" && string(direction) != "Tx" {
		return faultNotAFrame
	}
	word, b := cutWord(b)
	if bad := p.id(word, f); bad != fine {
		return bad
	}
	word, b = cutWord(b)
	if len(word) != 1 || word[0]&^1 != '0' { // a symbolic name
		_, b = cutWord(b)
	}
	_, b = cutWord(b) // error state
	word, b = cutWord(b)
	code, ok := parseNumber(word, 16, 15)
	if !ok {
		return faultLength
	}
	word, b = cutWord(b)
	length, ok := parseNumber(word, 10, 64)
	if !ok {
		return faultLength
	}
	data := b
	for range length {
		word, b = cutWord(b)
		if _, ok := parseNumber(word, p.base(), 255); !ok {
			return faultData
		}
	}
	_, b = cutWord(b) // duration
	_, b = cutWord(b) // length in bits
	word, _ = cutWord(b)
	flags, ok := parseNumber(word, 16, 1<<32-1)
	const edl, rtr = 0x1000, 0x10
	switch {
	case !ok || flags&edl != 0 || length > 8:
		f.Flags |= FD
		return fine
	case flags&rtr != 0:
		f.Flags |= Remote
		f.Code = uint8(min(code, 8))
		return fine
	}
	return p.data(data, int(length), f)
}

func (p *ascParser) id(word []byte, f *Frame) fault {
	limit := uint64(stdBits)
	if n := len(word); n > 0 && word[n-1]|0x20 == 'x' {
		word, limit = word[:n-1], idBits
		f.Flags |= Extended
	}
	id, ok := parseNumber(word, p.base(), 1<<32-1)
	if !ok {
		return faultNotAFrame
	}
	if id > limit {
		return faultIDRange
	}
	f.ID = uint32(id)
	return fine
}

func (p *ascParser) data(b []byte, count int, f *Frame) fault {
	var word []byte
	for i := range count {
		word, b = cutWord(b)
		v, ok := parseNumber(word, p.base(), 255)
		if !ok {
			return faultData
		}
		f.Data[i] = byte(v)
	}
	f.Len = uint8(count)
	return fine
}

func (p *ascParser) base() uint64 {
	if p.decimal {
		return 10
	}
	return 16
}

// parseASCTime reads seconds with decimals, as nanoseconds.
func parseASCTime(b []byte) (int64, bool) {
	dot := bytes.IndexByte(b, '.')
	if dot < 1 || len(b)-dot-1 < 1 || len(b)-dot-1 > 9 {
		return 0, false
	}
	seconds, ok := parseNumber(b[:dot], 10, latest)
	decimals, ok2 := parseNumber(b[dot+1:], 10, 1e9)
	if !ok || !ok2 {
		return 0, false
	}
	return int64(seconds)*1e9 + int64(decimals)*nanosPerDecimal[len(b)-dot-1], true
}

// parseNumber reads all of b, of at most 19 digits, as a number up to limit.
func parseNumber(b []byte, base, limit uint64) (uint64, bool) {
	if len(b) == 0 || len(b) > 19 {
		return 0, false
	}
	var n uint64
	for _, c := range b {
		h := hexDigit[c]
		v := uint64(h & 0xF)
		if h == 0 || v >= base {
			return 0, false
		}
		if n = n*base + v; n > limit {
			return 0, false
		}
	}
	return n, true
}

func appendInt(b []byte, n int) []byte {
	if n >= 100 {
		b = append(b, '0'+byte(n/100))
	}
	if n >= 10 {
		b = append(b, '0'+byte(n/10%10))
	}
	return append(b, '0'+byte(n%10))
}

func cutWord(b []byte) (word, rest []byte) {
	b = trimLeft(b)
	i := 0
	for i < len(b) && !isBlank(b[i]) {
		i++
	}
	return b[:i], b[i:]
}

// parseASCDate reads "Tue Nov 14 22:13:20 2023", perhaps with decimals of a
// second and with am or pm. Months are English or German, as asc2log has them.
func parseASCDate(b []byte) (int64, bool) {
	_, b = cutWord(b) // weekday
	monthWord, b := cutWord(b)
	dayWord, b := cutWord(b)
	clock, b := cutWord(b)
	half, b := cutWord(b)
	year, isYear := parseNumber(half, 10, 2261)
	if !isYear {
		word, _ := cutWord(b)
		year, isYear = parseNumber(word, 10, 2261)
	}
	month := monthOf(monthWord)
	day, ok := parseNumber(dayWord, 10, 31)
	if !isYear || year < 1970 || month == 0 || !ok || len(clock) < 8 || clock[2] != ':' || clock[5] != ':' {
		return 0, false
	}
	hour, ok1 := parseNumber(clock[0:2], 10, 23)
	minute, ok2 := parseNumber(clock[3:5], 10, 59)
	second, ok3 := parseNumber(clock[6:8], 10, 60)
	var decimals uint64
	ok4 := true
	if len(clock) > 8 {
		places := len(clock) - 9
		if decimals, ok4 = parseNumber(clock[9:], 10, 1e9); ok4 && places <= 9 {
			decimals *= uint64(nanosPerDecimal[places])
		} else {
			ok4 = false
		}
	}
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return 0, false
	}
	switch string(half) {
	case "am", "AM":
		hour %= 12
	case "pm", "PM":
		hour = hour%12 + 12
	}
	t := time.Date(int(year), time.Month(month), int(day), int(hour), int(minute), int(second), int(decimals), time.UTC)
	return t.UnixNano(), true
}

func monthOf(b []byte) int {
	switch string(b) {
	case "Jan":
		return 1
	case "Feb":
		return 2
	case "Mar", "Mär", "Mrz":
		return 3
	case "Apr":
		return 4
	case "May", "Mai":
		return 5
	case "Jun":
		return 6
	case "Jul":
		return 7
	case "Aug":
		return 8
	case "Sep":
		return 9
	case "Oct", "Okt":
		return 10
	case "Nov":
		return 11
	case "Dec", "Dez":
		return 12
	}
	return 0
}
