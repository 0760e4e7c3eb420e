package j1939

import (
	"encoding/binary"
	"math"
	"testing"
	"time"
)

func TestFastPacketCases(t *testing.T) {
	const pgn = "0DF80500#" // 129029 from 0
	// 20 bytes: 6 + 7 + 7, sequence counter 2.
	first, second, third := pgn+"4014010203040506", pgn+"410708090A0B0C0D", pgn+"420E0F1011121314"
	const whole = "129029 0>255 0102030405060708090A0B0C0D0E0F1011121314"
	const brief = -49 * time.Millisecond
	cases := []struct {
		name   string
		send   func(b *bus)
		want   []string
		counts Counts
	}{
		{"in order", func(b *bus) { b.send(first, second, third) }, []string{whole}, Counts{Started: 1, Complete: 1}},
		{"of one frame", func(b *bus) { b.send("1DFF0180#A0030102030405FF") }, []string{"130817 128>255 010203"}, Counts{Started: 1, Complete: 1}},
		{"the last frame only as long as needed", func(b *bus) { b.send(pgn+"4008010203040506", pgn+"410708") },
			[]string{"129029 0>255 0102030405060708"}, Counts{Started: 1, Complete: 1}},
		{"a frame twice", func(b *bus) {
			b.send(first).wait(brief).send(first, second).wait(brief).send(second, third).wait(brief).send(third)
		}, []string{whole}, Counts{Started: 1, Complete: 1, Repeats: 3}},
		{"two frames swapped", func(b *bus) { b.send(first, third).wait(brief).send(second) }, []string{whole}, Counts{Started: 1, Complete: 1}},
		{"a frame lost", func(b *bus) { b.send(first, third).wait(time.Second).send(first, second, third) },
			[]string{whole}, Counts{Started: 2, Complete: 1, TimedOut: 1}},
		{"the first frame lost", func(b *bus) { b.send(second, third) }, nil, Counts{Orphans: 2}},
		{"two sequence counters interleaved", func(b *bus) {
			b.send(first, pgn+"6008111111111111", second, pgn+"612222FFFFFFFFFF", third)
		}, []string{"129029 0>255 1111111111112222", whole}, Counts{Started: 2, Complete: 2}},
		{"two senders interleaved", func(b *bus) {
			b.send(first, "0DF80501#4008111111111111", second, "0DF80501#412222FFFFFFFFFF", third)
		}, []string{"129029 1>255 1111111111112222", whole}, Counts{Started: 2, Complete: 2}},
		// After a loss a later message with the same sequence counter must not
		// fill the hole.
		{"the counter comes round and its first frame is lost", func(b *bus) {
			b.send(first, second)
			for _, seq := range []string{"6", "8", "A", "C", "E", "0", "2"} {
				b.wait(-40 * time.Millisecond).send(pgn + seq + "006010203040506")
			}
			b.send(pgn + "42FFFFFFFFFFFFFF")
		}, func() (all []string) {
			for range 7 {
				all = append(all, "129029 0>255 010203040506")
			}
			return all
		}(), Counts{Started: 8, Complete: 7, Dropped: 1, Orphans: 1}},
		{"longer than a fast packet can be", func(b *bus) { b.send(pgn+"40E0010203040506", pgn+"4000010203040506") }, nil, Counts{Refused: 2}},
		{"a frame beyond the length", func(b *bus) { b.send(first, pgn+"4300000000000000") }, nil, Counts{Started: 1, Refused: 1}},
		{"a group that is no fast packet", func(b *bus) { b.send("09F80100#0008010203040506", "09F80100#0107080910111213") }, nil, Counts{}},
		{"the proprietary group A2 of J1939 is left alone", func(b *bus) { b.send("19EF0300#0008010203040506", "19EF0300#0107080910111213") }, nil, Counts{}},
		{"addressed to one node", func(b *bus) { b.send("0DED2301#4008010203040506", "0DED2301#410708FFFFFFFFFF") },
			[]string{"126208 1>35 0102030405060708"}, Counts{Started: 1, Complete: 1}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := newBus(t)
			c.send(b)
			b.want(c.want...)
			b.wantCounts(FastPacket, c.counts)
		})
	}
}

func TestFastPacketTable(t *testing.T) {
	for _, pgn := range []PGN{126208, 126996, 127237, 127489, 129029, 129540, 130578, 130816, 131071} {
		if !FastPacketPGN(pgn) {
			t.Errorf("%d is a fast packet", pgn)
		}
	}
	for _, pgn := range []PGN{0, 65226, 126207, 126720, 126992, 127250, 129025, 129026, 129539, 130306, 130815, 131072} {
		if FastPacketPGN(pgn) {
			t.Errorf("%d is no fast packet", pgn)
		}
	}
}

// The messages of a boat were put together rightly if they are as long as the
// counts in them say, and if the GNSS positions in them agree with
// the rapid positions, which are single frames, of the same sender.
// Neither tshark nor any other tool at hand reassembles fast packets.
func TestBoatFastPackets(t *testing.T) {
	// First frames of each group were counted by a script that only looks at
	// the first two bytes of the frames. A message of each sender can be cut off
	// by the end of the log.
	cases := []struct {
		log    string
		starts map[PGN]int
	}{
		{"boat-n2k-one-minute.log.gz", map[PGN]int{127237: 269, 127506: 79, 128275: 239, 129029: 357, 129038: 528, 129039: 72, 129284: 177,
			129285: 36, 129540: 355, 129794: 14, 129797: 15, 129809: 6, 129810: 5, 130578: 240, 130820: 39, 130822: 152, 130823: 25, 130824: 1418, 130860: 59}},
		{"boat-n2k-clock-step.log.gz", map[PGN]int{126208: 4, 126996: 56, 126998: 33, 127237: 270, 127503: 30, 127504: 60, 128275: 239, 129029: 351, 129038: 445,
			129540: 346, 130822: 346, 130824: 1420, 130845: 168, 130847: 29}},
	}
	for _, c := range cases {
		t.Run(c.log, func(t *testing.T) {
			frames, segments := recorded(t, c.log)
			r := NewReassembler()
			rapid := map[uint8][2]float64{} // by sender
			complete := map[PGN]int{}
			compared := 0
			for i := range frames {
				f := &frames[i]
				if segments[i] {
					r.Reset()
				}
				if id, ok := ParseID(f.ID); ok && id.PGN == PositionRapid {
					lat, lon := int32(binary.LittleEndian.Uint32(f.Data[:])), int32(binary.LittleEndian.Uint32(f.Data[4:]))
					if lat != math.MaxInt32 {
						rapid[id.Source] = [2]float64{float64(lat) * 1e-7, float64(lon) * 1e-7}
					}
				}
				m, ok := r.Feed(f, f.At)
				if !ok {
					continue
				}
				complete[m.PGN]++
				p := m.Payload
				// Senders may append empty entries, and say 255 for no entries.
				least := 0
				switch m.PGN {
				case 129029:
					if least = 43; p[42] != 255 {
						least += 4 * int(p[42])
					}
					lat, lon := float64(int64(binary.LittleEndian.Uint64(p[7:])))*1e-16, float64(int64(binary.LittleEndian.Uint64(p[15:])))*1e-16
					if at, ok := rapid[m.Source]; ok && p[31]>>4 != 0 {
						compared++
						if math.Abs(lat-at[0]) > 5e-5 || math.Abs(lon-at[1]) > 1e-4 {
							t.Errorf("frame %d: position %.6f %.6f, rapid position of the same sender %.6f %.6f", i+1, lat, lon, at[0], at[1])
						}
					}
				case 129540:
					least = 3 + 12*int(p[2])
				case 126996: // product information has a fixed length
					least = 134
				}
				if least > 0 && (len(p) < least || len(p)-least > 36) {
					t.Errorf("frame %d: PGN %d of %d bytes should have %d", i+1, m.PGN, len(p), least)
				}
			}
			for pgn, starts := range c.starts {
				if n := complete[pgn]; n > starts || n < starts-4 || n*100 < starts*95 {
					t.Errorf("PGN %d: %d messages, %d were begun", pgn, n, starts)
				}
			}
			if compared < 200 {
				t.Errorf("only %d positions compared", compared)
			}
			t.Logf("%+v, %d positions compared", r.Stats()[FastPacket], compared)
		})
	}
}
