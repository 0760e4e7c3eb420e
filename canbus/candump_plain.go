package canbus

import (
	"encoding/binary"
	"math/bits"
)

// plain reads the one shape that nearly every line of a log has:
//
//	(1700000000.123456) can0 0CF00400#207D87481400F087
//
// ten digits of seconds and six of decimals, the interface of the line before, a
// 29-bit identifier and whole bytes. Its places are fixed, so eight characters are
// taken at once as a number of 64 bits, and there are no questions about each.
//
// It begins with newPlain: eight zero bytes are no digits.
type plain struct {
	early uint64 // the first eight digits of the seconds of the line before
	late  uint16 // and the other two
	base  int64  // the same in nanoseconds
}

// newPlain knows the second 0.
func newPlain() plain { return plain{early: eight('0'), late: '0' | '0'<<8} }

// eight repeats a byte.
func eight(b byte) uint64 { return uint64(b) * 0x0101010101010101 }

// read says false for every other line, and for one that is wrong; parseCandump has
// those.
func (p *plain) read(b []byte, f *Frame, names *nameTable) bool {
	const afterTime, idLength = len("(1700000000.123456) "), len("0CF00400")
	if int(names.last) >= len(names.list) {
		return false
	}
	name := names.list[names.last]
	at := afterTime + len(name) + 1 // of the identifier
	if len(b) < at+idLength+1 || b[at-1] != ' ' || string(b[afterTime:at-1]) != name || b[at+idLength] != '#' {
		return false
	}
	if b[0] != '(' || b[11] != '.' || b[18] != ')' || b[19] != ' ' {
		return false
	}
	early, late := binary.LittleEndian.Uint64(b[1:9]), binary.LittleEndian.Uint16(b[9:11])
	if (early != p.early || late != p.late) && !p.second(b[1:11], early, late) {
		return false
	}
	// ".123456)" becomes "12345600".
	hundredths, ok := decimal8(binary.LittleEndian.Uint64(b[11:19])>>8&^(0xFFFF<<48) | 0x3030<<48)
	if !ok {
		return false
	}
	id, ok := hex8(binary.LittleEndian.Uint64(b[at : at+idLength]))
	if id = bits.ReverseBytes32(id); !ok || id > idBits {
		return false
	}
	data := b[at+idLength+1:]
	if len(data) > 16 || len(data)%2 != 0 {
		return false
	}
	f.Data = [8]byte{}
	done := 0
	for ; done+8 <= len(data); done += 8 {
		four, ok := hex8(binary.LittleEndian.Uint64(data[done : done+8]))
		if !ok {
			return false
		}
		binary.LittleEndian.PutUint32(f.Data[done/2:], four)
	}
	for ; done < len(data); done += 2 {
		high, low := hexDigit[data[done]], hexDigit[data[done+1]]
		if high&low == 0 {
			return false
		}
		f.Data[done/2] = high<<4 | low&0xF
	}
	f.Stamp = p.base + int64(hundredths)*10
	f.ID, f.Flags, f.Len, f.Code, f.Interface = id, Extended, uint8(len(data)/2), 0, names.last
	return true
}

// second takes over another second.
func (p *plain) second(b []byte, early uint64, late uint16) bool {
	seconds := int64(0)
	for _, c := range b {
		if c-'0' > 9 {
			return false
		}
		seconds = seconds*10 + int64(c-'0')
	}
	if seconds > latest {
		return false
	}
	p.early, p.late, p.base = early, late, seconds*1e9
	return true
}

// decimal8 is the number that eight digits are, the first of them in the lowest
// byte. Neighbours are put together, then pairs, then fours.
func decimal8(x uint64) (n uint32, ok bool) {
	d := x ^ eight('0')
	if (d|(d&eight(0x7F)+eight(0x7F-9)))&eight(0x80) != 0 {
		return 0, false
	}
	d = d*10 + d>>8 // pairs, in every other byte
	const pairs = 0x000000FF000000FF
	return uint32((d&pairs*(100+1_000_000<<32) + d>>16&pairs*(1+10_000<<32)) >> 32), true
}

// hex8 is the four bytes that eight hex digits are, the first digit in the lowest
// byte of x and the first byte in the lowest of the result.
func hex8(x uint64) (four uint32, ok bool) {
	digits := x ^ eight('0')                // 0 to 9 if it is one
	letters := x | eight(0x20) ^ eight('`') // 1 to 6 if it is one
	noDigit := digits | (digits&eight(0x7F) + eight(0x7F-9))
	noLetter := letters | (letters&eight(0x7F) + eight(0x7F-6)) | ^(letters&eight(0x7F) + eight(0x7F))
	if noDigit&noLetter&eight(0x80) != 0 {
		return 0, false
	}
	v := x&eight(0x0F) + x>>6&eight(0x01)*9
	v = (v<<4 | v>>8) & 0x00FF00FF00FF00FF
	v = (v | v>>8) & 0x0000FFFF0000FFFF
	return uint32(v | v>>16), true
}
