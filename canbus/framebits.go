package canbus

// FrameBits is the exact length of a data or remote frame on the wire, in
// bits, with its stuff bits and the three bits of intermission, computed from
// its content (ISO 11898-1). At 250 kbit/s a bit is 4 microseconds, so the
// sum over a second, divided by 250 000, is the bus load. It is 0 for error
// frames and for CAN FD.
func FrameBits(f *Frame) int {
	if f.Flags&(ErrorFrame|FD) != 0 {
		return 0
	}
	w := wire{}
	remote := uint32(0)
	if f.Flags&Remote != 0 {
		remote = 1
	}
	code := uint32(f.Len)
	if f.Code != 0 {
		code = uint32(f.Code)
	}
	w.put(0, 1) // start of frame
	if f.Flags&Extended != 0 {
		w.put(f.ID>>18, 11)
		w.put(3, 2) // substitute remote request, identifier extension
		w.put(f.ID, 18)
		w.put(remote, 1)
		w.put(0, 2) // reserved
	} else {
		w.put(f.ID, 11)
		w.put(remote, 1)
		w.put(0, 2) // identifier extension, reserved
	}
	w.put(code, 4)
	if remote == 0 {
		for _, b := range f.Data[:min(f.Len, 8)] {
			w.put(uint32(b), 8)
		}
	}
	w.put(uint32(w.crc), 15)
	// Not stuffed: CRC delimiter, acknowledge slot and delimiter, seven bits
	// end of frame, three bits intermission.
	return w.bits + 13
}

// wire counts bits as they go out: after five equal bits one of the other
// value is put in, and it counts as the first of the next run.
type wire struct {
	bits int
	run  int
	last uint32
	crc  uint16
}

func (w *wire) put(value uint32, width int) {
	for i := width - 1; i >= 0; i-- {
		bit := value >> i & 1
		// CRC-15, polynomial 0x4599; what it does after its own bits is of no
		// consequence.
		if uint32(w.crc>>14&1) != bit {
			w.crc = w.crc<<1 ^ 0x4599
		} else {
			w.crc <<= 1
		}
		w.bits++
		if w.run > 0 && bit == w.last {
			w.run++
		} else {
			w.last, w.run = bit, 1
		}
		if w.run == 5 {
			w.bits++
			w.last, w.run = bit^1, 1
		}
	}
}
