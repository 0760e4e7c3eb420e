package canbus

// The text that can-utils calls the log format, one frame a line:
//
//	(1700000000.123456) can0 0CF00400#207D87481400F087
//
// and the form of its screen output, if it has a time:
//
//	(1700000000.123456)  can0  0CF00400   [8]  20 7D 87 48 14 00 F0 87
//
// Sources: can-utils lib.h, lib.c, candump.c and canplayer.c.

// fault is why a line is not a frame. The zero fault means that it is one.
type fault uint8

const (
	fine fault = iota
	faultNotAFrame
	faultTime
	faultNoTime
	faultName
	faultNames
	faultID
	faultIDRange
	faultXL
	faultData
	faultLength
	faultCode
	faultTail
	faultTooLong
	faultDate
	faultPacket
)

func (f fault) String() string {
	switch f {
	case fine:
		return "fine"
	case faultNotAFrame:
		return "not a frame"
	case faultTime:
		return "the time is not seconds with 1 to 9 decimals in brackets"
	case faultNoTime:
		return "the line has no time: record with candump -L or -l"
	case faultName:
		return "no interface name, or one longer than 64 characters"
	case faultNames:
		return "more than 250 interface names"
	case faultID:
		return "the identifier is not 3 or 8 hex digits"
	case faultIDRange:
		return "the identifier is out of range"
	case faultXL:
		return "a CAN XL frame"
	case faultData:
		return "the data are not pairs of hex digits"
	case faultLength:
		return "the number of data bytes is wrong"
	case faultCode:
		return "the raw length code is not 9 to F"
	case faultTail:
		return "unexpected text after the frame"
	case faultTooLong:
		return "the line is too long"
	case faultDate:
		return "the date is not readable; times count from 1970"
	case faultPacket:
		return "not a whole SocketCAN packet"
	}
	return "unknown"
}

const (
	digit   = 0x10 // set in hexDigit for every hex digit
	idBits  = 0x1FFFFFFF
	errBit  = 0x20000000
	stdBits = 0x7FF

	longestName = 64
	mostNames   = 250
)

// hexDigit gives digit | value for a hex digit and 0 for any other byte.
var hexDigit = [256]uint8{
	'0': 0x10, '1': 0x11, '2': 0x12, '3': 0x13, '4': 0x14, '5': 0x15, '6': 0x16, '7': 0x17,
	'8': 0x18, '9': 0x19, 'A': 0x1A, 'B': 0x1B, 'C': 0x1C, 'D': 0x1D, 'E': 0x1E, 'F': 0x1F,
	'a': 0x1A, 'b': 0x1B, 'c': 0x1C, 'd': 0x1D, 'e': 0x1E, 'f': 0x1F,
}

// nanosPerDecimal is the value of the last of n decimals of a second.
var nanosPerDecimal = [10]int64{1e9, 1e8, 1e7, 1e6, 1e5, 1e4, 1e3, 100, 10, 1}

// parseCandump reads one line, without its line end, into f. It fills every
// field but At. It does not allocate, unless the interface name is new.
func parseCandump(line []byte, f *Frame, names *nameTable) fault {
	line = trimRight(line)
	stamp, rest, bad := cutTime(line)
	if bad != fine {
		return bad
	}
	f.Stamp = stamp
	return parseAfterTime(rest, f, names)
}

// parseAfterTime reads " can0 ID#DATA" or "  can0  ID   [8]  DATA".
func parseAfterTime(b []byte, f *Frame, names *nameTable) fault {
	i := 0
	for i < len(b) && isBlank(b[i]) {
		i++
	}
	from := i
	for i < len(b) && b[i] > ' ' {
		i++
	}
	name := b[from:i]
	if len(name) == 0 || len(name) > longestName || from == 0 {
		return faultName
	}
	for i < len(b) && isBlank(b[i]) {
		i++
	}
	rest, bad := cutID(b[i:], f)
	if bad != fine {
		if bad == faultID && hasDirection(b[i:]) {
			if rest, bad = cutID(afterDirection(b[i:]), f); bad == fine {
				bad = parseScreenData(rest, f)
			}
		}
		if bad != fine {
			return bad
		}
	} else if len(rest) > 0 && rest[0] == '#' {
		if bad := parseLogData(rest[1:], f); bad != fine {
			return bad
		}
	} else if bad := parseScreenData(rest, f); bad != fine {
		return bad
	}
	index, ok := names.index(name)
	if !ok {
		return faultNames
	}
	f.Interface = index
	return fine
}

// cutID reads 3 or 8 hex digits, sets ID and Flags and clears the rest of
// what a frame carries.
func cutID(b []byte, f *Frame) ([]byte, fault) {
	var id uint32
	n := 0
	for n < len(b) && n < 9 {
		h := hexDigit[b[n]]
		if h == 0 {
			break
		}
		id = id<<4 | uint32(h&0xF)
		n++
	}
	f.Data = [8]byte{}
	f.Len, f.Code = 0, 0
	switch n {
	case 8:
		switch {
		case id <= idBits:
			f.ID, f.Flags = id, Extended
		case id <= errBit|idBits:
			f.ID, f.Flags = id&idBits, ErrorFrame
		default:
			return nil, faultIDRange
		}
	case 3:
		if id > stdBits {
			return nil, faultIDRange
		}
		f.ID, f.Flags = id, 0
	case 5:
		if len(b) > 5 && b[5] == '#' {
			return nil, faultXL
		}
		return nil, faultID
	default:
		return nil, faultID
	}
	return b[n:], fine
}

// parseLogData reads what follows the first '#'.
func parseLogData(b []byte, f *Frame) fault {
	if len(b) > 0 {
		switch b[0] {
		case '#':
			return parseFD(b[1:], f)
		case 'R', 'r':
			return parseRemote(b[1:], f)
		}
	}
	i, n := 0, 0
	for i+1 < len(b) && n < 8 {
		hi, lo := hexDigit[b[i]], hexDigit[b[i+1]]
		if hi&lo == 0 {
			break
		}
		f.Data[n] = hi<<4 | lo&0xF
		n++
		i += 2
		if i < len(b) && b[i] == '.' && n < 8 {
			i++
		}
	}
	f.Len = uint8(n)
	if i == len(b) {
		if i > 0 && b[i-1] == '.' {
			return faultData
		}
		return fine
	}
	return parseTail(b[i:], f, n == 8)
}

func parseRemote(b []byte, f *Frame) fault {
	f.Flags |= Remote
	if len(b) > 0 && b[0] >= '0' && b[0] <= '9' {
		if b[0] == '9' {
			return faultLength
		}
		f.Code = b[0] - '0'
		b = b[1:]
	}
	return parseTail(b, f, f.Code == 8)
}

// parseFD checks a CAN FD frame: the flags nibble and up to 64 bytes, which
// are not kept.
func parseFD(b []byte, f *Frame) fault {
	if len(b) == 0 || hexDigit[b[0]] == 0 {
		return faultData
	}
	f.Flags |= FD
	i, n := 1, 0
	for i+1 < len(b) && hexDigit[b[i]]&hexDigit[b[i+1]] != 0 {
		n++
		i += 2
		if i < len(b) && b[i] == '.' {
			i++
		}
	}
	if n > 64 {
		return faultLength
	}
	return parseTail(b[i:], f, false)
}

// parseTail reads what may follow the data: "_9" to "_F" if a raw length code
// may stand here, and the direction " R" or " T".
func parseTail(b []byte, f *Frame, mayHaveCode bool) fault {
	if len(b) >= 2 && b[0] == '_' && mayHaveCode {
		code := hexDigit[b[1]] & 0xF
		if code < 9 {
			return faultCode
		}
		f.Code = code
		b = b[2:]
	}
	switch {
	case len(b) == 0:
		return fine
	case b[0] != ' ':
		if hexDigit[b[0]] != 0 && f.Len == 8 {
			return faultLength
		}
		return faultData
	}
	for len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	if len(b) == 1 && (b[0] == 'R' || b[0] == 'T') {
		return fine
	}
	return faultTail
}
