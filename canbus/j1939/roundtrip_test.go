package j1939

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"

	"pgregory.net/rapid"
)

// A stamped frame that a made-up sender puts on the bus.
type stamped struct {
	frame canbus.Frame
	at    signal.Instant
}

// sent is a message and the frames that carry it.
type sent struct {
	pgn                 PGN
	source, destination uint8
	payload             []byte
	frames              []stamped
}

func (s *sent) add(at *signal.Instant, gap time.Duration, id uint32, data ...byte) {
	f := canbus.Frame{ID: id, Len: 8, Flags: canbus.Extended, At: *at}
	for i := range f.Data {
		f.Data[i] = 0xFF
	}
	copy(f.Data[:], data)
	s.frames = append(s.frames, stamped{f, *at})
	*at = at.Add(gap)
}

func idOf(pf uint32, to, from uint8) uint32 {
	return 7<<26 | pf<<16 | uint32(to)<<8 | uint32(from)
}

func packetAt(payload []byte, packet int) []byte {
	return payload[(packet-1)*7 : min(len(payload), packet*7)]
}

// split cuts a payload into frames as its kind asks, with the answers of a
// receiver that now and then wants a part again.
func split(t *rapid.T, kind Kind, source, destination uint8, seq byte, at signal.Instant) *sent {
	size := map[Kind]*rapid.Generator[int]{
		Broadcast: rapid.IntRange(9, 60), Addressed: rapid.IntRange(9, 90),
		Extended: rapid.IntRange(1786, 2500), FastPacket: rapid.IntRange(1, 60),
	}[kind].Draw(t, "size")
	s := &sent{pgn: 65280 + PGN(source), source: source, destination: destination,
		payload: rapid.SliceOfN(rapid.Byte(), size, size).Draw(t, "payload")}
	packets := (size + 6) / 7
	p := []byte{byte(s.pgn), byte(s.pgn >> 8), byte(s.pgn >> 16)}
	data := func(pf uint32, gap time.Duration, number, packet int) {
		s.add(&at, gap, idOf(pf, destination, source), append([]byte{byte(number)}, packetAt(s.payload, packet)...)...)
	}
	switch kind {
	case Broadcast:
		s.destination, destination = GlobalAddress, GlobalAddress
		gap := time.Duration(rapid.IntRange(15, 180).Draw(t, "gap")) * time.Millisecond
		s.add(&at, gap, idOf(0xEC, GlobalAddress, source), append([]byte{32, byte(size), byte(size >> 8), byte(packets), 0xFF}, p...)...)
		for n := 1; n <= packets; n++ {
			data(0xEB, gap, n, n)
		}
	case Addressed, Extended:
		control, carrier, rts, cts, end := uint32(0xEC), uint32(0xEB), byte(16), byte(17), byte(19)
		opening := []byte{rts, byte(size), byte(size >> 8), byte(packets), 0xFF}
		if kind == Extended {
			control, carrier, cts, end = 0xC8, 0xC7, 21, 23
			opening = []byte{20, byte(size), byte(size >> 8), byte(size >> 16), 0}
		}
		const gap = 3 * time.Millisecond
		s.add(&at, gap, idOf(control, destination, source), append(opening, p...)...)
		for next := 1; next <= packets; {
			block := min(rapid.IntRange(1, 255).Draw(t, "block"), packets-next+1)
			if kind == Addressed {
				s.add(&at, gap, idOf(control, source, destination), append([]byte{cts, byte(block), byte(next), 0xFF, 0xFF}, p...)...)
			} else {
				s.add(&at, gap, idOf(control, source, destination), append([]byte{cts, byte(block), byte(next), byte(next >> 8), 0}, p...)...)
				s.add(&at, gap, idOf(control, destination, source), append([]byte{22, byte(block), byte(next - 1), byte((next - 1) >> 8), 0}, p...)...)
			}
			for n := range block {
				number := next + n
				if kind == Extended {
					number = n + 1
				}
				data(carrier, gap, number, next+n)
			}
			next += block
			if rapid.IntRange(0, 9).Draw(t, "again") == 0 {
				next -= rapid.IntRange(1, block).Draw(t, "back")
			}
		}
		s.add(&at, gap, idOf(control, source, destination), append([]byte{end, byte(size), byte(size >> 8), byte(packets), 0xFF}, p...)...)
	case FastPacket:
		s.pgn, s.destination = 130816+PGN(source), GlobalAddress
		id := 6<<26 | uint32(s.pgn)<<8 | uint32(source)
		s.add(&at, time.Millisecond, id, append([]byte{seq << 5, byte(size)}, s.payload[:min(6, size)]...)...)
		for n, from := 1, 6; from < size; n, from = n+1, from+7 {
			s.add(&at, time.Millisecond, id, append([]byte{seq<<5 | byte(n)}, s.payload[from:min(size, from+7)]...)...)
		}
	}
	return s
}

// Whatever a bus does to frames, a payload comes out as it was sent or not at
// all, and all of them come out of a bus that does nothing.
//
// Sessions of the same two nodes are further apart than they may be silent:
// within that time a listener that missed the right frames can not tell the
// rest of two messages from one.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var all []*sent
		for i := range rapid.IntRange(1, 8).Draw(t, "senders") {
			kind := Kind(rapid.IntRange(0, int(kinds)-1).Draw(t, "kind"))
			source, destination := uint8(2*i), uint8(2*i+1)
			at := signal.Instant(rapid.IntRange(0, 200).Draw(t, "start") * 1e6)
			for n := range rapid.IntRange(1, 3).Draw(t, "messages") {
				s := split(t, kind, source, destination, byte(n), at)
				all = append(all, s)
				at = s.frames[len(s.frames)-1].at.Add(1600 * time.Millisecond)
			}
		}
		trouble := rapid.Bool().Draw(t, "trouble")
		var frames []stamped
		for _, s := range all {
			frames = append(frames, s.frames...)
		}
		slices.SortStableFunc(frames, func(a, b stamped) int { return int(a.at - b.at) })
		if trouble {
			frames = disturb(t, frames)
		}

		r := NewReassembler()
		delivered := make([]bool, len(all))
		for i := range frames {
			m, ok := r.Feed(&frames[i].frame, frames[i].at)
			if !ok {
				continue
			}
			which := -1
			for i, s := range all {
				if !delivered[i] && s.pgn == m.PGN && s.source == m.Source && s.destination == m.Destination && bytes.Equal(s.payload, m.Payload) {
					which = i
					break
				}
			}
			if which < 0 {
				t.Fatalf("delivered twice, or what nobody sent: PGN %d from %d, %X", m.PGN, m.Source, m.Payload)
			}
			delivered[which] = true
		}
		for i, s := range all {
			if !trouble && !delivered[i] {
				t.Fatalf("not delivered: PGN %d from %d, %d bytes", s.pgn, s.source, len(s.payload))
			}
		}
		for k, x := range r.Stats() {
			if x.Started != x.Complete+x.Aborted+x.TimedOut+x.Dropped+uint64(r.Waiting(Kind(k))) {
				t.Fatalf("%v: the counts do not add up: %+v", Kind(k), x)
			}
		}
	})
}

// disturb loses, repeats and swaps frames. Stamps stay in order.
func disturb(t *rapid.T, frames []stamped) []stamped {
	lossPercent := rapid.IntRange(0, 30).Draw(t, "loss")
	random := rapid.Uint32().Draw(t, "noise")
	chance := func(percent int) bool {
		random = random*1664525 + 1013904223 // Numerical Recipes' generator: one draw for all
		return int(random>>8%100) < percent
	}
	var out []stamped
	for _, f := range frames {
		if chance(lossPercent) {
			continue
		}
		out = append(out, f)
		if chance(5) {
			out = append(out, f)
		}
		if n := len(out); n > 1 && chance(5) && out[n-1].at.Sub(out[n-2].at) < disorderTime {
			out[n-1].frame, out[n-2].frame = out[n-2].frame, out[n-1].frame
		}
	}
	return out
}

// Each kind alone, without trouble but with every length that it can have.
func TestEveryLength(t *testing.T) {
	r := NewReassembler()
	at := signal.Instant(0)
	for size := 1; size <= maxTP*tpBytes; size++ {
		payload := pattern(size)
		s := &sent{}
		packets := (size + 6) / 7
		at = at.Add(time.Second)
		s.add(&at, 50*time.Millisecond, idOf(0xEC, 255, 9), 32, byte(size), byte(size>>8), byte(packets), 0xFF, 0x10, 0xFF, 0)
		for n := 1; n <= packets; n++ {
			s.add(&at, 50*time.Millisecond, idOf(0xEB, 255, 9), append([]byte{byte(n)}, packetAt(payload, n)...)...)
		}
		if size <= maxFast {
			s.add(&at, time.Millisecond, 6<<26|130816<<8|9, append([]byte{0, byte(size)}, payload[:min(6, size)]...)...)
			for n, from := 1, 6; from < size; n, from = n+1, from+7 {
				s.add(&at, time.Millisecond, 6<<26|130816<<8|9, append([]byte{byte(n)}, payload[from:min(size, from+7)]...)...)
			}
		}
		var got []string
		for i := range s.frames {
			if m, ok := r.Feed(&s.frames[i].frame, s.frames[i].at); ok {
				got = append(got, fmt.Sprint(m.PGN, bytes.Equal(m.Payload, payload)))
			}
		}
		want := []string{"65296 true", "130816 true"}
		if size > maxFast {
			want = want[:1]
		}
		if !slices.Equal(got, want) {
			t.Fatalf("size %d: got %v, want %v", size, got, want)
		}
	}
}
