package j1939

import (
	"encoding/binary"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// The parameter groups that carry parts of others. SAE J1939-21, ISO 11783-3.
const (
	pgnTPControl      = TransportConnection
	pgnTPData         = TransportData
	pgnETPControl PGN = 51200 // ETP.CM
	pgnETPData    PGN = 50944 // ETP.DT
)

// Kind is the way in which a long message was sent.
type Kind uint8

const (
	Broadcast  Kind = iota // transport protocol, BAM: to all
	Addressed              // transport protocol, RTS/CTS: between two nodes
	Extended               // extended transport protocol, ISO 11783-3
	FastPacket             // NMEA 2000
	kinds
)

var kindNames = [kinds]string{"broadcast", "addressed", "extended", "fast packet"}

// String names the kind in words.
func (k Kind) String() string {
	if k < kinds {
		return kindNames[k]
	}
	return "invalid"
}

// The limits that keep a hostile bus from using up memory.
const (
	maxSessions = 64  // of each kind but Extended
	maxExtended = 8   // each may take MaxPayload bytes, from when it is first used
	maxTP       = 255 // packets
	tpBytes     = 7   // of payload in a packet
	// MaxPayload is the longest payload that is kept, in bytes. An object pool
	// for a terminal can be longer; such a message is counted as refused.
	MaxPayload = 256 << 10
)

// How long a session may be silent, in event time. The standard gives the
// nodes T1 = 750 ms for a packet and T2, T3 = 1250 ms for answers. They act
// when their timer fires: recorded aborts come up to 1261 ms after the request
// that nobody answered. A listener has to wait a little longer than they do.
const (
	patienceBroadcast = 750 * time.Millisecond
	patienceAddressed = 1500 * time.Millisecond
	patienceFast      = 750 * time.Millisecond
)

// Transfer is a payload that came in more than one frame.
type Transfer struct {
	PGN         PGN
	Source      uint8
	Destination uint8 // 255 for all
	Interface   uint8
	Kind        Kind
	// Payload belongs to the Reassembler and is valid until the next Feed.
	Payload []byte
	// First and Last are when the first frame of the message (for the
	// transport protocols the announcement) and the completing one came.
	First, Last signal.Instant
}

// Counts tells what became of the sessions of one kind.
// Started is the sum of Complete, Aborted, TimedOut, Dropped and of the
// sessions that still wait.
type Counts struct {
	Started  uint64 // announcements and first frames that opened a session
	Complete uint64 // messages delivered
	Aborted  uint64 // ended by one of the two nodes before all packets were seen
	TimedOut uint64 // given up because a packet was missed or its sender fell silent
	// Dropped sessions were replaced by a new one of the same nodes, pushed out
	// by too many others, contradicted by their own packets, acknowledged while
	// a packet was missed, or ended by a change of address or a Reset.
	Dropped uint64
	Orphans uint64 // data frames that belong to no open session
	Repeats uint64 // frames received twice, or sent again
	Refused uint64 // frames that break the protocol, and messages longer than MaxPayload
}

// Stats are Counts by Kind.
type Stats [kinds]Counts

// Reassembler puts long messages together as a listener: it takes part in
// nothing and waits for nobody's acknowledgement. Feed it every frame, in
// order; it takes what it needs. It allocates no memory after a session of
// each kind and a claim on each interface were seen, whatever comes.
//
// A payload is delivered whole and once, or not at all. What SAE J1939-21 asks
// of a receiver in order to answer (limits, retries) is no business of a
// listener; what it must do instead is to keep packets of one message from
// completing another after a loss.
type Reassembler struct {
	kind [kinds]sessions
	due  signal.Instant // no deadline is before this
	// names are the NAMEs that claimed each address, by interface; 0 for none.
	names [][256]Name
}

// NewReassembler returns a Reassembler without sessions.
func NewReassembler() *Reassembler {
	r := &Reassembler{due: farAway}
	r.kind[Broadcast] = newSessions(maxSessions, maxTP*tpBytes, maxTP)
	r.kind[Addressed] = newSessions(maxSessions, maxTP*tpBytes, maxTP)
	r.kind[Extended] = newSessions(maxExtended, 0, 0)
	r.kind[FastPacket] = newSessions(maxSessions, maxFast, fastFrames)
	return r
}

const farAway signal.Instant = 1<<63 - 1

// Feed takes a frame that was received at the event time at. When the frame
// completes a message it returns that message and true.
//
// Frames of the transport protocols are never messages themselves, and a
// control frame is not the parameter group that it announces. Frames for which
// FastPacketPGN holds are parts, too.
func (r *Reassembler) Feed(f *canbus.Frame, at signal.Instant) (Transfer, bool) {
	if at <= r.due && !carrier(f.ID) {
		return Transfer{}, false
	}
	return r.feed(f, at)
}

// carrier tells whether a 29-bit identifier can matter to a Reassembler.
func carrier(id uint32) bool {
	switch PGN(id >> 16 & 0x3FF) {
	case pgnTPControl >> 8, pgnTPData >> 8, pgnETPControl >> 8, pgnETPData >> 8, AddressClaimed >> 8:
		return true
	}
	return id&(3<<24) == 1<<24 // data page 1: NMEA 2000
}

func (r *Reassembler) feed(f *canbus.Frame, at signal.Instant) (Transfer, bool) {
	if at > r.due {
		r.due = farAway
		for k := range r.kind {
			r.due = r.kind[k].expire(at, r.due)
		}
	}
	if f.Flags&(canbus.Extended|canbus.Remote|canbus.ErrorFrame|canbus.FD) != canbus.Extended {
		return Transfer{}, false
	}
	source, destination := uint8(f.ID), uint8(f.ID>>8)
	switch PGN(f.ID >> 16 & 0x3FF) {
	case pgnTPControl >> 8:
		r.tpControl(f, at, source, destination)
	case pgnTPData >> 8:
		return r.tpData(f, at, source, destination)
	case pgnETPControl >> 8:
		r.etpControl(f, at, source, destination)
	case pgnETPData >> 8:
		return r.etpData(f, at, source, destination)
	case AddressClaimed >> 8:
		r.claim(f, source)
	default:
		return r.fastPacket(f, at, source, destination)
	}
	return Transfer{}, false
}

// claim drops the sessions of an address that changes hands, and of the address
// that its new owner had before. Nodes repeat their claims whenever somebody
// asks, also while they send a long message: that ends nothing.
func (r *Reassembler) claim(f *canbus.Frame, source uint8) {
	if f.Len < 8 || source >= NullAddress {
		return
	}
	for int(f.Interface) >= len(r.names) {
		r.names = append(r.names, [256]Name{})
	}
	names := &r.names[f.Interface]
	name := Name(binary.LittleEndian.Uint64(f.Data[:]))
	if names[source] == name {
		return
	}
	if names[source] != 0 {
		r.dropAddress(f.Interface, source)
	}
	for i := range names {
		if names[i] == name && name != 0 {
			names[i] = 0
			r.dropAddress(f.Interface, uint8(i))
		}
	}
	names[source] = name
}

func (r *Reassembler) dropAddress(iface, address uint8) {
	for k := range r.kind {
		r.kind[k].dropAddress(iface, address)
	}
}

// Stats returns the counts since the Reassembler was made.
func (r *Reassembler) Stats() Stats {
	var s Stats
	for k := range s {
		s[k] = r.kind[k].Count
	}
	return s
}

// Waiting is the number of sessions of a kind that are not complete.
func (r *Reassembler) Waiting(k Kind) int { return r.kind[k].waiting() }

// Reset drops all sessions, as at the start of a new segment of event time.
// The counts go on.
func (r *Reassembler) Reset() {
	for k := range r.kind {
		r.kind[k].dropAll()
	}
	r.due = farAway
}

// start begins a session that replaces one of the same key.
func (r *Reassembler) start(k Kind, key uint64, pgn PGN, size, packets int, at signal.Instant, patience time.Duration) *session {
	s := r.kind[k].open(key)
	if k == Extended && len(s.data) == 0 {
		s.data = make([]byte, MaxPayload)
		s.have = make([]uint64, (MaxPayload/tpBytes+64)/64)
	}
	s.begin(pgn, size, packets, at, patience)
	r.due = min(r.due, s.deadline)
	return s
}

// deliver returns the message of a session whose packets are all there.
func (r *Reassembler) deliver(k Kind, s *session, key uint64) (Transfer, bool) {
	if s.missing > 0 {
		return Transfer{}, false
	}
	s.done = true
	r.kind[k].Count.Complete++
	return Transfer{
		PGN: s.pgn, Source: keySource(key), Destination: keyDestination(key),
		Interface: keyInterface(key), Kind: k,
		Payload: s.data[:s.size:s.size], First: s.first, Last: s.last,
	}, true
}

// within tells whether a frame may be a copy of its predecessor, or swapped
// with it, rather than a later one.
func (s *session) within(at signal.Instant) bool { return at.Sub(s.last) <= disorderTime }

// announcedPGN is the parameter group in the last bytes of a control frame.
// The low byte of a PDU1 group is no part of it. ok is false for what can not
// be carried: the carriers themselves and numbers of more than 18 bits.
func announcedPGN(d *[8]byte) (pgn PGN, ok bool) {
	pgn = PGN(d[5]) | PGN(d[6])<<8 | PGN(d[7])<<16
	if !pgn.Broadcast() {
		pgn &^= 0xFF
	}
	switch pgn {
	case pgnTPControl, pgnTPData, pgnETPControl, pgnETPData:
		return pgn, false
	}
	return pgn, pgn.Valid()
}
