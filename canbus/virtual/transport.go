package virtual

// broadcast sends a message of more than 8 bytes by BAM (SAE J1939-21): the
// announcement, then a packet every 50 to 60 ms. One at a time for a sender.
func (c *Combine) broadcast(source uint8, pgn uint32, data []byte) {
	b := &c.bus
	at := max(c.startNS+c.tick*tickNS+1e6, b.bamNS[source])
	packets := (len(data) + 6) / 7
	b.push(at, idTo(7, 0xEC00, addrGlobal, source), 0x20, byte(len(data)), byte(len(data)>>8), byte(packets), 0xFF, byte(pgn), byte(pgn>>8), byte(pgn>>16))
	for k := range packets {
		at += 50e6 + int64(c.busNoise.unit()*8e6)
		b.push(at, idTo(7, 0xEB00, addrGlobal, source), packet(byte(k+1), data, k)...)
	}
	b.bamNS[source] = at + 50e6
}

// packet is the k-th data transfer packet, padded with ones.
func packet(sequence byte, data []byte, k int) []byte {
	p := allOnes
	p[0] = sequence
	copy(p[1:], data[7*k:min(len(data), 7*k+7)])
	return p[:]
}

// transfer sends a long message from one node to another, by TP up to 1785
// bytes, else by ETP (ISO 11783-3). It returns when it is over.
func (b *bus) transfer(at int64, from, to uint8, pgn uint32, data []byte) int64 {
	const block = 16
	long := len(data) > 1785
	cm, dt := uint32(0xEC00), uint32(0xEB00)
	if long {
		cm, dt = 0xC800, 0xC700
	}
	there, back := idTo(7, cm, to, from), idTo(7, cm, from, to)
	p := []byte{byte(pgn), byte(pgn >> 8), byte(pgn >> 16)}
	size := make([]byte, 4)
	put32(size, uint32(len(data)))
	packets := (len(data) + 6) / 7

	if long {
		b.push(at, there, append(append([]byte{20}, size...), p...)...)
	} else {
		b.push(at, there, 16, size[0], size[1], byte(packets), 0xFF, p[0], p[1], p[2])
	}
	for first := 0; first < packets; first += block {
		n := min(block, packets-first)
		at += 12e6
		if long {
			b.push(at, back, 21, byte(n), byte(first+1), byte((first+1)>>8), byte((first+1)>>16), p[0], p[1], p[2])
			at += 4e6
			b.push(at, there, 22, byte(n), byte(first), byte(first>>8), byte(first>>16), p[0], p[1], p[2])
		} else {
			b.push(at, back, 17, byte(n), byte(first+1), 0xFF, 0xFF, p[0], p[1], p[2])
		}
		for k := range n {
			at += 3e6
			sequence := byte(first + k + 1)
			if long {
				sequence = byte(k + 1)
			}
			b.push(at, idTo(7, dt, to, from), packet(sequence, data, first+k)...)
		}
	}
	at += 10e6
	if long {
		b.push(at, back, append(append([]byte{23}, size...), p...)...)
	} else {
		b.push(at, back, 19, size[0], size[1], byte(packets), 0xFF, p[0], p[1], p[2])
	}
	return at
}

// fast sends a fast packet (NMEA 2000).
func (b *bus) fast(at int64, id uint32, sequence uint8, data []byte) {
	first := []byte{sequence << 5, byte(len(data)), 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	copy(first[2:], data)
	b.push(at, id, first...)
	for k, from := byte(1), 6; from < len(data); k, from = k+1, from+7 {
		p := allOnes
		p[0] = sequence<<5 | k
		copy(p[1:], data[from:min(len(data), from+7)])
		at += 700e3
		b.push(at, id, p[:]...)
	}
}
