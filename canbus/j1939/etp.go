package j1939

import (
	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// Control bytes of ETP.CM. ISO 11783-3.
const (
	etpRTS    = 20
	etpCTS    = 21
	etpOffset = 22 // data packet offset
	etpEnd    = 23 // end of message acknowledgement
)

func (r *Reassembler) etpControl(f *canbus.Frame, at signal.Instant, source, destination uint8) {
	t := &r.kind[Extended]
	if f.Len < 8 || source == toAll || destination == toAll {
		t.Count.Refused++
		return
	}
	d := &f.Data
	pgn, ok := announcedPGN(d)
	key := sessionKey(f.Interface, source, destination)
	answer := sessionKey(f.Interface, destination, source)
	switch d[0] {
	case etpRTS:
		size := int64(d[1]) | int64(d[2])<<8 | int64(d[3])<<16 | int64(d[4])<<24
		if !ok || size == 0 || size > MaxPayload {
			t.Count.Refused++
			return
		}
		if s := t.find(key); s.repeated(pgn, int(size), at) {
			t.Count.Repeats++
			return
		}
		r.start(Extended, key, pgn, int(size), int(size+tpBytes-1)/tpBytes, at, patienceAddressed)
	case etpCTS:
		if s := t.find(answer); s != nil && s.pgn == pgn {
			s.heard(at, patienceAddressed)
			if d[1] != 0 {
				s.block = 0 // the next block needs its own offset
			}
		}
	case etpOffset:
		s := t.find(key)
		if s == nil || s.pgn != pgn {
			return
		}
		offset := int(d[2]) | int(d[3])<<8 | int(d[4])<<16
		if offset+int(d[1]) > s.packets {
			t.Count.Refused++
			return
		}
		s.offset, s.block, s.blockHigh = offset, int(d[1]), 0
		s.heard(at, patienceAddressed)
	case etpEnd:
		if s := t.find(answer); s != nil && s.pgn == pgn {
			t.end(s, &t.Count.Dropped)
		}
	case tpAbort:
		r.abort(Extended, f.Interface, source, destination, pgn)
	default:
		t.Count.Refused++
	}
}

func (r *Reassembler) etpData(f *canbus.Frame, at signal.Instant, source, destination uint8) (Transfer, bool) {
	t := &r.kind[Extended]
	if f.Len < 2 || f.Data[0] == 0 || source == toAll || destination == toAll {
		t.Count.Refused++
		return Transfer{}, false
	}
	key := sessionKey(f.Interface, source, destination)
	s := t.find(key)
	if s == nil {
		t.Count.Orphans++
		return Transfer{}, false
	}
	n := int(f.Data[0])
	if n > s.block {
		// Of a block whose offset was missed: its place is unknown.
		t.Count.Orphans++
		return Transfer{}, false
	}
	if n < s.blockHigh && (!s.within(at) || n < s.blockHigh-disorderSteps) {
		// Going back within a block: another block whose offset was missed.
		if s.done {
			t.Count.Orphans++
		} else {
			t.end(s, &t.Count.Dropped)
		}
		return Transfer{}, false
	}
	packet := s.offset + n
	from := (packet - 1) * tpBytes
	if int(f.Len)-1 < min(tpBytes, s.size-from) {
		t.Count.Refused++
		return Transfer{}, false
	}
	repeat, same := s.put(packet, from, f.Data[1:1+min(tpBytes, s.size-from)])
	switch {
	case repeat && same:
		t.Count.Repeats++
	case s.done:
		t.Count.Orphans++
		return Transfer{}, false
	case repeat:
		t.end(s, &t.Count.Dropped)
		return Transfer{}, false
	}
	s.blockHigh = max(s.blockHigh, n)
	s.heard(at, patienceAddressed)
	if s.done {
		return Transfer{}, false
	}
	return r.deliver(Extended, s, key)
}
