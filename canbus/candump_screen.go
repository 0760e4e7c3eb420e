package canbus

import "time"

// parseScreenData reads "   [8]  20 7D 87 48 14 00 F0 87". What follows the
// data (their ASCII picture, the word ERRORFRAME) is for people and is left.
func parseScreenData(b []byte, f *Frame) fault {
	b = trimLeft(b)
	if len(b) < 3 || b[0] != '[' {
		return faultID
	}
	i, count := 1, 0
	for i < len(b) && i < 4 && b[i] >= '0' && b[i] <= '9' {
		count = count*10 + int(b[i]-'0')
		i++
	}
	if i == 1 || i >= len(b) || b[i] != ']' || count > 64 {
		return faultLength
	}
	fd := i == 3 // CAN FD has two digits
	b = trimLeft(b[i+1:])
	if len(b) > 0 && b[0] == 'r' { // "remote request"
		f.Flags |= Remote
		if count > 8 {
			return faultLength
		}
		f.Code = uint8(count)
		return fine
	}
	if !fd && count > 8 {
		return faultLength
	}
	for n := range count {
		b = trimLeft(b)
		if len(b) < 2 {
			return faultLength
		}
		hi, lo := hexDigit[b[0]], hexDigit[b[1]]
		if hi&lo == 0 || len(b) > 2 && b[2] != ' ' {
			return faultData
		}
		if !fd {
			f.Data[n] = hi<<4 | lo&0xF
		}
		b = b[2:]
	}
	if fd {
		f.Flags |= FD
	} else {
		f.Len = uint8(count)
	}
	return fine
}

// looksLikeScreen tells whether a line is the screen form without a time.
func looksLikeScreen(line []byte) bool {
	var f Frame
	b := trimRight(trimLeft(line))
	i := 0
	for i < len(b) && b[i] > ' ' {
		i++
	}
	if i == 0 || i > longestName {
		return false
	}
	rest, bad := cutID(trimLeft(b[i:]), &f)
	return bad == fine && parseScreenData(rest, &f) == fine
}

// hasDirection recognises the columns "RX - -" that candump -x puts before the
// identifier: direction, bit rate switch, error state.
func hasDirection(b []byte) bool {
	return len(b) > 8 && (b[0] == 'R' || b[0] == 'T') && b[1] == 'X' && b[2] == ' '
}

func afterDirection(b []byte) []byte {
	b = b[2:]
	for range 2 {
		b = trimLeft(b)
		if len(b) > 1 && b[1] == ' ' {
			b = b[1:]
		}
	}
	return trimLeft(b)
}

// cutTime reads "(1700000000.123456)" or "(2023-11-14 22:13:20.123456)".
// The date has no zone; it is taken for UTC.
func cutTime(b []byte) (stamp int64, rest []byte, bad fault) {
	if len(b) == 0 || b[0] != '(' {
		return 0, nil, faultNotAFrame
	}
	i := 1
	var seconds int64
	for i < len(b) && b[i]-'0' <= 9 && i <= 11 {
		seconds = seconds*10 + int64(b[i]-'0')
		i++
	}
	if i == 5 && len(b) > 21 && b[5] == '-' {
		var ok bool
		if seconds, ok = parseDate(b[1:20]); !ok {
			return 0, nil, faultTime
		}
		i = 20
	}
	if i == 1 || i >= len(b) || b[i] != '.' || seconds > latest {
		return 0, nil, faultTime
	}
	i++
	from := i
	var decimals int64
	for i < len(b) && b[i]-'0' <= 9 && i < from+9 {
		decimals = decimals*10 + int64(b[i]-'0')
		i++
	}
	if i == from || i >= len(b) || b[i] != ')' {
		return 0, nil, faultTime
	}
	return seconds*1e9 + decimals*nanosPerDecimal[i-from], b[i+1:], fine
}

// latest is the last whole second that a Stamp can hold; it lies in 2262.
const latest = 9_223_372_035

// parseDate reads exactly "2023-11-14 22:13:20".
func parseDate(b []byte) (seconds int64, ok bool) {
	const shape = "0000-00-00 00:00:00"
	for i := range shape {
		if shape[i] == '0' && b[i]-'0' > 9 || shape[i] != '0' && b[i] != shape[i] {
			return 0, false
		}
	}
	number := func(from, to int) int {
		n := 0
		for _, c := range b[from:to] {
			n = n*10 + int(c-'0')
		}
		return n
	}
	year, month, day := number(0, 4), number(5, 7), number(8, 10)
	hour, minute, second := number(11, 13), number(14, 16), number(17, 19)
	if year < 1970 || year > 2261 || month < 1 || month > 12 || day < 1 || day > 31 ||
		hour > 23 || minute > 59 || second > 60 {
		return 0, false
	}
	return time.Date(year, time.Month(month), day, hour, minute, second, 0, time.UTC).Unix(), true
}

func trimLeft(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

func trimRight(b []byte) []byte {
	for len(b) > 0 && b[len(b)-1] <= ' ' {
		b = b[:len(b)-1]
	}
	return b
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' }
