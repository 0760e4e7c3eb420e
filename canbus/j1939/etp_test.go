package j1939

import (
	"bytes"
	"fmt"
	"testing"
	"time"
)

// The single frames of ETP.CM in testdata/multi-frame.csv, computed from the
// table of ISO 11783-3, in the order of a transfer of 2000 bytes of process
// data from address 135 to 247.
const (
	vectorRTS    = "1CC8F787#14D007000000CB00"
	vectorCTS    = "1CC887F7#151001000000CB00"
	vectorOffset = "1CC8F787#161000000000CB00"
	vectorEnd    = "1CC887F7#17D007000000CB00"
)

func pattern(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i*i>>3 + i)
	}
	return b
}

func etpPacket(payload []byte, offset, n int) string {
	at := (offset + n - 1) * 7
	var d [7]byte
	for i := range d {
		d[i] = 0xFF
	}
	copy(d[:], payload[at:])
	return fmt.Sprintf("1CC7F787#%02X%X", n, d)
}

func TestExtendedControlVectors(t *testing.T) {
	payload := pattern(2000)
	const packets = 286
	want := fmt.Sprintf("51968 135>247 %X", payload)

	whole := func(b *bus, lose func(block, n int) bool, blocks ...[2]int) {
		for i, block := range blocks {
			b.send(fmt.Sprintf("1CC887F7#15%02X%02X%02X0000CB00", block[1], (block[0]+1)&255, (block[0]+1)>>8))
			b.send(fmt.Sprintf("1CC8F787#16%02X%02X%02X0000CB00", block[1], block[0]&255, block[0]>>8))
			for n := 1; n <= block[1]; n++ {
				if lose == nil || !lose(i, n) {
					b.send(etpPacket(payload, block[0], n))
				}
			}
		}
	}
	t.Run("a whole transfer", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS)
		whole(b, nil, [2]int{0, 16}, [2]int{16, 255}, [2]int{271, packets - 271})
		b.send(vectorEnd).want(want)
		b.wantCounts(Extended, Counts{Started: 1, Complete: 1})
	})
	t.Run("the vectors' first block is as computed", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS, vectorCTS, vectorOffset)
		for n := 1; n <= 16; n++ {
			b.send(etpPacket(payload, 0, n))
		}
		s := b.r.kind[Extended].find(sessionKey(0, 135, 247))
		if s == nil || s.pgn != ProcessData || s.size != 2000 || s.packets != packets || s.missing != packets-16 ||
			!bytes.Equal(s.data[:16*7], payload[:16*7]) {
			t.Error("the session is not as the vectors say")
		}
	})
	t.Run("a lost packet is sent again", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS)
		whole(b, func(block, n int) bool { return block == 0 && n == 9 }, [2]int{0, 255}, [2]int{8, 247}, [2]int{255, packets - 255})
		b.send(vectorEnd).want(want)
	})
	t.Run("a lost offset places nothing wrong", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS)
		whole(b, nil, [2]int{0, 255})
		b.send(fmt.Sprintf("1CC887F7#15%02XFF000000CB00", packets-255)) // CTS, and then no offset
		for n := 1; n <= packets-255; n++ {
			b.send(etpPacket(payload, 255, n))
		}
		b.send(vectorEnd).want()
		b.wantCounts(Extended, Counts{Started: 1, TimedOut: 1, Orphans: packets - 255})
	})
	t.Run("a lost offset and a lost answer", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS)
		whole(b, nil, [2]int{0, 31})
		for n := 1; n <= 31; n++ {
			b.send(etpPacket(payload, 31, n))
		}
		b.want()
		b.wantCounts(Extended, Counts{Started: 1, Dropped: 1, Orphans: 30})
	})
	t.Run("aborted by the receiver", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS, vectorCTS, vectorOffset, etpPacket(payload, 0, 1), "1CC887F7#FF02FFFFFF00CB00")
		b.wantCounts(Extended, Counts{Started: 1, Aborted: 1})
	})
	t.Run("silence", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS, vectorCTS, vectorOffset).wait(2 * time.Second).send(etpPacket(payload, 0, 1))
		b.wantCounts(Extended, Counts{Started: 1, TimedOut: 1, Orphans: 1})
	})
	t.Run("longer than is kept", func(t *testing.T) {
		b := newBus(t)
		b.send("1CC8F787#140100040000CB00", "1CC8F787#14FFFFFFFF00CB00") // 262145 and 4294967295 bytes
		b.wantCounts(Extended, Counts{Refused: 2})
	})
	t.Run("an offset beyond the end", func(t *testing.T) {
		b := newBus(t)
		b.send(vectorRTS, vectorCTS, "1CC8F787#16FFFFFFFF00CB00", "1CC8F787#1610200100"+"00CB00")
		b.send(etpPacket(payload, 0, 1)).want()
		b.wantCounts(Extended, Counts{Started: 1, Refused: 2, Orphans: 1})
	})
}
