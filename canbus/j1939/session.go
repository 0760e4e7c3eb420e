package j1939

import (
	"bytes"
	"time"

	"chaffinch/canbus/signal"
)

// Frames on one bus keep their order, but a controller may repeat one, and a
// recorder that joins queues may swap neighbours. Seen in recordings: copies
// up to 7.5 ms after the original. A frame that comes back later or further
// than this belongs to another message.
const (
	disorderTime  = 10 * time.Millisecond
	disorderSteps = 3
)

// session collects the numbered packets of one message.
type session struct {
	pgn      PGN
	first    signal.Instant // of the announcement
	last     signal.Instant // of the newest frame that belongs to it
	deadline signal.Instant // silent until then, it is given up
	done     bool           // delivered; kept to recognise repeats
	size     int            // bytes
	packets  int
	missing  int // packets
	high     int // highest packet stored, counted from 1
	// Of ETP: the block of packets that the last data packet offset opened.
	offset, block, blockHigh int

	data []byte   // room for the longest payload of this kind
	have []uint64 // one bit a packet
}

func (s *session) has(packet int) bool {
	i := packet - 1
	return s.have[i/64]&(1<<(i%64)) != 0
}

// put stores the packet, counted from 1, whose bytes start at from.
// It reports a repeat, and whether the bytes contradict what is stored.
func (s *session) put(packet, from int, b []byte) (repeat, same bool) {
	if s.has(packet) {
		return true, bytes.Equal(s.data[from:from+len(b)], b)
	}
	copy(s.data[from:], b)
	i := packet - 1
	s.have[i/64] |= 1 << (i % 64)
	s.missing--
	s.high = max(s.high, packet)
	return false, true
}

// sessions is a fixed set of sessions of one kind, with their counts.
type sessions struct {
	keys  []uint64 // 0 where the place is free
	list  []session
	used  int // places from here on are free
	Count Counts
}

func newSessions(places, payload, packets int) sessions {
	t := sessions{keys: make([]uint64, places), list: make([]session, places)}
	for i := range t.list {
		t.list[i].have = make([]uint64, (packets+63)/64)
		t.list[i].data = make([]byte, payload)
	}
	return t
}

func (t *sessions) find(key uint64) *session {
	for i, k := range t.keys[:t.used] {
		if k == key {
			return &t.list[i]
		}
	}
	return nil
}

// open gives an empty session for key: the one that had this key, else a free
// one, else the one that is least of a loss.
func (t *sessions) open(key uint64) *session {
	place, free := -1, -1
	for i, k := range t.keys[:t.used] {
		if k == key {
			place = i
			break
		}
		if k == 0 && free < 0 {
			free = i
		}
	}
	switch {
	case place >= 0:
	case free >= 0:
		place = free
	case t.used < len(t.keys):
		place = t.used
		t.used++
	default:
		place = t.oldest()
	}
	s := &t.list[place]
	if t.keys[place] != 0 && !s.done {
		t.Count.Dropped++
	}
	t.keys[place] = key
	t.Count.Started++
	return s
}

// oldest is the place whose newest frame is oldest; delivered ones go first.
func (t *sessions) oldest() int {
	best := 0
	for i := range t.list {
		s, b := &t.list[i], &t.list[best]
		if s.done != b.done {
			if s.done {
				best = i
			}
		} else if s.last < b.last {
			best = i
		}
	}
	return best
}

// begin makes s ready for a message.
func (s *session) begin(pgn PGN, size, packets int, at signal.Instant, patience time.Duration) {
	s.pgn, s.size, s.packets, s.missing = pgn, size, packets, packets
	s.first, s.last, s.deadline = at, at, at.Add(patience)
	s.done = false
	s.high, s.offset, s.block, s.blockHigh = 0, 0, 0, 0
	clear(s.have[:(packets+63)/64])
}

func (s *session) heard(at signal.Instant, patience time.Duration) {
	s.last, s.deadline = at, at.Add(patience)
}

// end frees the session and counts it in why, unless it was delivered.
func (t *sessions) end(s *session, why *uint64) {
	for i := range t.list[:t.used] {
		if &t.list[i] == s {
			t.free(i, why)
			break
		}
	}
	t.trim()
}

func (t *sessions) free(i int, why *uint64) {
	if !t.list[i].done {
		*why++
	}
	t.keys[i] = 0
}

func (t *sessions) trim() {
	for t.used > 0 && t.keys[t.used-1] == 0 {
		t.used--
	}
}

// expire gives up what has been silent too long at the instant at, and
// returns the next deadline if it is before next.
func (t *sessions) expire(at, next signal.Instant) signal.Instant {
	for i, k := range t.keys[:t.used] {
		switch {
		case k == 0:
		case at > t.list[i].deadline:
			t.free(i, &t.Count.TimedOut)
		default:
			next = min(next, t.list[i].deadline)
		}
	}
	t.trim()
	return next
}

// dropAddress ends the sessions in which the address takes part.
func (t *sessions) dropAddress(iface, address uint8) {
	for i, k := range t.keys[:t.used] {
		if k != 0 && keyInterface(k) == iface && (keySource(k) == address || keyDestination(k) == address) {
			t.free(i, &t.Count.Dropped)
		}
	}
	t.trim()
}

func (t *sessions) dropAll() {
	for i, k := range t.keys[:t.used] {
		if k != 0 {
			t.free(i, &t.Count.Dropped)
		}
	}
	t.used = 0
}

// waiting is the number of sessions that are not complete.
func (t *sessions) waiting() int {
	n := 0
	for i, k := range t.keys[:t.used] {
		if k != 0 && !t.list[i].done {
			n++
		}
	}
	return n
}

// A key tells sessions apart: interface, addresses, and for fast packets PGN
// and sequence counter. The top bit makes it differ from a free place.
func sessionKey(iface, source, destination uint8) uint64 {
	return 1<<63 | uint64(iface)<<48 | uint64(source)<<40 | uint64(destination)<<32
}

func keyInterface(k uint64) uint8   { return uint8(k >> 48) }
func keySource(k uint64) uint8      { return uint8(k >> 40) }
func keyDestination(k uint64) uint8 { return uint8(k >> 32) }
