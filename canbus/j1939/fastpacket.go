package j1939

import (
	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// The NMEA 2000 fast packet: a sequence counter (3 bits) and a frame number
// (5 bits) in the first byte, the length in the second byte of frame 0.
const (
	maxFast    = 223 // bytes: 6 in frame 0, 7 in each of 31 others
	fastFrames = 32
)

// FastPacketPGN tells whether the group is sent as a fast packet. The frames do
// not say so themselves: it is a property of the group.
//
// All proprietary groups 130816 to 131071 are fast packets. The group 126720 is
// one too on a pure NMEA 2000 network, but on a machine it is the proprietary
// group A2 of SAE J1939, single frames and transport protocol, and left alone.
func FastPacketPGN(pgn PGN) bool {
	if pgn >= fastProprietary {
		return pgn <= fastLast
	}
	i := int(pgn) - fastFirst
	return i >= 0 && i < len(fastTable)*64 && fastTable[i/64]&(1<<(i%64)) != 0
}

const (
	fastFirst       = 126208 // group function
	fastProprietary = 130816
	fastLast        = 131071
)

// fastPGNs are the public groups that are fast packets. Those marked * were
// seen as such in the boat recordings under testdata/real, where a test
// counts their frames. The list agrees with the table in NMEA2000.cpp of the
// NMEA2000 library (ttlappalainen/NMEA2000, MIT); its five system groups and
// those marked † are from memory.
var fastPGNs = [...]PGN{
	126208,                 // * † group function
	126464,                 // † list of groups
	126996,                 // * † product information
	126998,                 // * † configuration information
	126983, 126984, 126985, // alerts
	126986, 126987, 126988,
	127233,                 // man overboard
	127237,                 // * heading and track control
	127489,                 // engine parameters, dynamic
	127490, 127491, 127494, // electric drive and storage
	127495,
	127496, 127497, 127498, // trip fuel, engine parameters static
	127503, 127504, 127506, // * electrical
	127507, 127509,
	127510, 127511, 127512,
	127513, 127514,
	128275, // * distance log
	128520, 128538,
	129029,         // * GNSS position
	129038, 129039, // * AIS positions
	129040, 129041,
	129044,         // datum
	129045,         // datum settings
	129284, 129285, // * navigation data, waypoints
	129301, 129302,
	129538,                         // GNSS control status
	129540,                         // * GNSS satellites in view
	129541, 129542, 129545, 129547, // GNSS almanac, statistics, integrity
	129549, 129551, 129556, // differential corrections, GLONASS almanac
	129792, 129793, 129794, 129795, // AIS; * 129793, 129794
	129796, 129797, 129798, 129799, // * 129797
	129800, 129801, 129802, 129803,
	129804, 129805, 129806, 129807,
	129808, 129809, 129810, 129811, // * 129809, 129810
	129812, 129813,
	130052, 130053, 130054, // Loran-C
	130060, 130061,
	130064, 130065, 130066, 130067, // routes and waypoints
	130068, 130069, 130070, 130071,
	130072, 130073, 130074,
	130320, 130321, 130322, 130323, 130324, // stations
	130330, 130561, 130562, 130563, 130564, // lighting
	130565, 130566, 130567,
	130569, 130570, 130571, 130572, 130573, // entertainment
	130574, 130580, 130581, 130583, 130584, 130586,
	130577, // direction data
	130578, // * speed components
}

// fastTable has one bit for each group from fastFirst on. It is never written to.
var fastTable = func() (t [(fastProprietary-fastFirst)/64 + 1]uint64) {
	for _, pgn := range fastPGNs {
		i := pgn - fastFirst
		t[i/64] |= 1 << (i % 64)
	}
	return t
}()

func (r *Reassembler) fastPacket(f *canbus.Frame, at signal.Instant, source, destination uint8) (Transfer, bool) {
	pgn := PGN(f.ID >> 8 & 0x3FFFF)
	if pgn.Broadcast() {
		destination = GlobalAddress
	} else {
		pgn &^= 0xFF
	}
	if !FastPacketPGN(pgn) {
		return Transfer{}, false
	}
	t := &r.kind[FastPacket]
	if f.Len < 2 || source == GlobalAddress {
		t.Count.Refused++
		return Transfer{}, false
	}
	// The lowest 3 bits of the key are the sequence counter.
	number := int(f.Data[0] & 31)
	key := sessionKey(f.Interface, source, destination) | uint64(pgn)<<3 | uint64(f.Data[0]>>5)
	s := t.find(key)
	if number == 0 {
		return r.fastStart(f, at, pgn, key, s)
	}
	if s == nil {
		t.Count.Orphans++
		return Transfer{}, false
	}
	from := 6 + (number-1)*tpBytes
	if number >= s.packets || int(f.Len)-1 < min(tpBytes, s.size-from) {
		t.Count.Refused++
		return Transfer{}, false
	}
	return r.inOrder(FastPacket, s, key, number+1, from, f.Data[1:1+min(tpBytes, s.size-from)], at)
}

func (r *Reassembler) fastStart(f *canbus.Frame, at signal.Instant, pgn PGN, key uint64, s *session) (Transfer, bool) {
	t := &r.kind[FastPacket]
	size := int(f.Data[1])
	if size == 0 || size > maxFast || int(f.Len)-2 < min(6, size) {
		t.Count.Refused++
		return Transfer{}, false
	}
	b := f.Data[2 : 2+min(6, size)]
	if s.repeated(pgn, size, at) {
		if _, same := s.put(1, 0, b); same {
			t.Count.Repeats++
			return Transfer{}, false
		}
	}
	t.overtake(key)
	packets := 1
	if size > 6 {
		packets += (size - 6 + tpBytes - 1) / tpBytes
	}
	s = r.start(FastPacket, key, pgn, size, packets, at, patienceFast)
	return r.inOrder(FastPacket, s, key, 1, 0, b, at)
}

// overtake drops the unfinished sessions of the same sender and group that the
// sequence counter has left behind. What they still lack was missed, and the
// counter will come round to their number with another message.
func (t *sessions) overtake(key uint64) {
	for i, k := range t.keys[:t.used] {
		if k != 0 && k>>3 == key>>3 && !t.list[i].done {
			if ahead := (key - k) & 7; ahead >= 3 && ahead <= 6 {
				t.free(i, &t.Count.Dropped)
			}
		}
	}
	t.trim()
}
