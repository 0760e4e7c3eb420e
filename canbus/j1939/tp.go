package j1939

import (
	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// Control bytes of TP.CM. SAE J1939-21.
const (
	tpRTS   = 16
	tpCTS   = 17
	tpEnd   = 19 // end of message acknowledgement
	tpBAM   = 32
	tpAbort = 255
)

const toAll = GlobalAddress

func (r *Reassembler) tpControl(f *canbus.Frame, at signal.Instant, source, destination uint8) {
	k := Addressed
	if destination == toAll {
		k = Broadcast
	}
	t := &r.kind[k]
	if f.Len < 8 || source == toAll {
		t.Count.Refused++
		return
	}
	d := &f.Data
	pgn, ok := announcedPGN(d)
	switch d[0] {
	case tpRTS, tpBAM:
		size := int(d[1]) | int(d[2])<<8
		packets := int(d[3])
		if !ok || (d[0] == tpBAM) != (k == Broadcast) ||
			size == 0 || size > maxTP*tpBytes || packets != (size+tpBytes-1)/tpBytes {
			t.Count.Refused++
			return
		}
		patience := patienceAddressed
		if k == Broadcast {
			patience = patienceBroadcast
		}
		key := sessionKey(f.Interface, source, destination)
		if s := t.find(key); s.repeated(pgn, size, at) {
			t.Count.Repeats++
			return
		}
		r.start(k, key, pgn, size, packets, at, patience)
	case tpCTS:
		// From the receiver to the originator. It may hold the session (no
		// packets) or go back; packets are stored by number, so only the time counts.
		if s := t.find(sessionKey(f.Interface, destination, source)); s != nil && s.pgn == pgn {
			s.heard(at, patienceAddressed)
		}
	case tpEnd:
		if s := t.find(sessionKey(f.Interface, destination, source)); s != nil && s.pgn == pgn {
			t.end(s, &t.Count.Dropped)
		}
	case tpAbort:
		r.abort(k, f.Interface, source, destination, pgn)
	default:
		t.Count.Refused++
	}
}

// repeated tells whether an announcement is a copy of the one that opened s.
func (s *session) repeated(pgn PGN, size int, at signal.Instant) bool {
	return s != nil && s.pgn == pgn && s.size == size && s.high <= disorderSteps && s.within(at)
}

// abort ends the session that the abort names, in either direction. Some
// senders leave the group out; then all between the two nodes are ended.
func (r *Reassembler) abort(k Kind, iface, source, destination uint8, pgn PGN) {
	t := &r.kind[k]
	forth := t.find(sessionKey(iface, source, destination))
	back := t.find(sessionKey(iface, destination, source))
	named := forth != nil && forth.pgn == pgn || back != nil && back.pgn == pgn
	for _, s := range [...]*session{forth, back} {
		if s != nil && (s.pgn == pgn || !named) {
			t.end(s, &t.Count.Aborted)
		}
	}
}

func (r *Reassembler) tpData(f *canbus.Frame, at signal.Instant, source, destination uint8) (Transfer, bool) {
	k, patience := Addressed, patienceAddressed
	if destination == toAll {
		k, patience = Broadcast, patienceBroadcast
	}
	t := &r.kind[k]
	if f.Len < 2 || f.Data[0] == 0 || source == toAll {
		t.Count.Refused++
		return Transfer{}, false
	}
	key := sessionKey(f.Interface, source, destination)
	s := t.find(key)
	if s == nil {
		t.Count.Orphans++
		return Transfer{}, false
	}
	packet := int(f.Data[0])
	from := (packet - 1) * tpBytes
	if packet > s.packets || int(f.Len)-1 < min(tpBytes, s.size-from) {
		t.Count.Refused++
		return Transfer{}, false
	}
	b := f.Data[1 : 1+min(tpBytes, s.size-from)]
	if k == Broadcast {
		return r.inOrder(k, s, key, packet, from, b, at)
	}
	repeat, same := s.put(packet, from, b)
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
	s.heard(at, patience)
	if s.done {
		return Transfer{}, false
	}
	return r.deliver(k, s, key)
}

// inOrder stores a packet of a message that is sent once and in order. After a
// loss nothing repairs it, so a packet that goes back, other than by the small
// disorder of a recording, is one of a later message whose beginning was
// missed: the session is dropped rather than mixed.
func (r *Reassembler) inOrder(k Kind, s *session, key uint64, packet, from int, b []byte, at signal.Instant) (Transfer, bool) {
	t := &r.kind[k]
	near := s.within(at) && packet >= s.high-disorderSteps
	if s.done {
		if _, same := s.put(packet, from, b); same && near {
			t.Count.Repeats++
		} else {
			t.Count.Orphans++
		}
		return Transfer{}, false
	}
	if packet < s.high && !near {
		t.end(s, &t.Count.Dropped)
		return Transfer{}, false
	}
	if repeat, same := s.put(packet, from, b); repeat {
		if same {
			t.Count.Repeats++
		} else {
			t.end(s, &t.Count.Dropped)
		}
		return Transfer{}, false
	}
	patience := patienceBroadcast
	if k == FastPacket {
		patience = patienceFast
	}
	s.heard(at, patience)
	if s.missing == 0 {
		s.deadline = at.Add(disorderTime) // only repeats can still come
		r.due = min(r.due, s.deadline)
	}
	return r.deliver(k, s, key)
}
