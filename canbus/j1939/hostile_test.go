package j1939

import (
	"encoding/binary"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// FuzzFeed sends frames cut from arbitrary bytes: four of the identifier, one
// of the length and interface, one of the time that passes (in 8 ms), eight of
// data.
func FuzzFeed(f *testing.F) {
	seed := func(texts ...string) {
		var b []byte
		for _, text := range texts {
			frame := frameOf(f, text)
			b = binary.BigEndian.AppendUint32(b, frame.ID)
			b = append(b, frame.Len, 2)
			b = append(b, frame.Data[:]...)
		}
		f.Add(b)
	}
	seed("18ECFF00#20120003FFCAFE00", "18EBFF00#0100FF5B0003015C", "18EBFF00#020004025D000503", "18EBFF00#035E000604FFFFFF")
	seed("18EC9B90#101400030100DF00", "1CEC909B#110101FFFF00DF00", "1CEB9B90#0101020304050607", "1CEC909B#FF02FFFFFF00DF00")
	seed(vectorRTS, vectorCTS, vectorOffset, "1CC7F787#0101020304050607", vectorEnd)
	seed("1CC8F787#140000040000CB00", "1CC8F787#16FF81940000CB00", "1CC7F787#FF01020304050607")
	seed("0DF80500#002FE7953D0073D6", "0DF80500#012900DA0473DBC9", "0DF80500#1FFFFFFFFFFFFFFF")
	seed("18EEFF00#0100000000840EA0", "18EEFF00#0200000000840EA0", "18EEFFFE#0100000000840EA0")
	f.Fuzz(func(t *testing.T, b []byte) {
		r := NewReassembler()
		var a Addresses
		at := signal.Instant(0)
		for ; len(b) >= 14; b = b[14:] {
			frame := canbus.Frame{
				ID: binary.BigEndian.Uint32(b) & 0x1FFFFFFF, Len: b[4] & 15 % 9, Interface: b[4] >> 6, Flags: canbus.Extended,
				Data: [8]byte(b[6:]),
			}
			at = at.Add(time.Duration(b[5]) * 8 * time.Millisecond)
			a.Feed(&frame, at)
			m, ok := r.Feed(&frame, at)
			if !ok {
				continue
			}
			if len(m.Payload) == 0 || len(m.Payload) > MaxPayload || m.First > m.Last || m.Last > at || !m.PGN.Valid() {
				t.Fatalf("impossible message: %+v", m)
			}
			a.Command(&m)
		}
		for k, x := range r.Stats() {
			if x.Started != x.Complete+x.Aborted+x.TimedOut+x.Dropped+uint64(r.Waiting(Kind(k))) {
				t.Fatalf("%v: the counts do not add up: %+v", Kind(k), x)
			}
		}
	})
}

// hostileFrame is a frame of a transport protocol with random content, more
// often than not one that opens, continues or resizes a session.
func hostileFrame(rnd *rand.Rand) canbus.Frame {
	carriers := []uint32{0xEC, 0xEB, 0xC8, 0xC7, 0xEE, 0x1F8, 0x1FF}
	f := canbus.Frame{
		ID:  7<<26 | carriers[rnd.IntN(len(carriers))]<<16 | uint32(rnd.IntN(256))<<8 | uint32(rnd.IntN(256)),
		Len: 8, Flags: canbus.Extended, Interface: uint8(rnd.IntN(4)),
	}
	if rnd.IntN(2) == 0 {
		f.ID |= 0xFF00
	}
	binary.LittleEndian.PutUint64(f.Data[:], rnd.Uint64())
	switch rnd.IntN(4) {
	case 0:
		size := 1 + rnd.IntN(1785)
		f.Data = [8]byte{[]byte{16, 32}[rnd.IntN(2)], byte(size), byte(size >> 8), byte((size + 6) / 7), 255, 0xCA, 0xFE, 0}
	case 1:
		f.Data = [8]byte{20, f.Data[1], f.Data[2], byte(rnd.IntN(4)), 0, 0, 0xCB, 0}
	case 2:
		f.Data[0] = byte(1 + rnd.IntN(3))
	}
	return f
}

// A million hostile frames do not grow the heap: the limit is what
// NewReassembler takes plus eight buffers for the extended protocol.
func TestHostileBusIsBounded(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	r := NewReassembler()
	at := signal.Instant(0)
	for range 1_000_000 {
		f := hostileFrame(rnd)
		at = at.Add(200 * time.Microsecond)
		r.Feed(&f, at)
	}
	used := heap() - before
	runtime.KeepAlive(r)
	const limit = 3 << 20
	t.Logf("%d KiB after a million frames; %+v", used>>10, r.Stats())
	if used > limit {
		t.Errorf("%d bytes, want at most %d", used, limit)
	}
	for k := range kinds {
		if n := r.Waiting(k); n > maxSessions {
			t.Errorf("%v: %d sessions", k, n)
		}
	}
}

func TestReassemblerAllocatesNothing(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	frames := make([]canbus.Frame, 20_000)
	for i := range frames {
		frames[i] = hostileFrame(rnd)
	}
	r := NewReassembler()
	at := signal.Instant(0)
	run := func() {
		for i := range frames {
			at = at.Add(time.Millisecond)
			r.Feed(&frames[i], at)
		}
	}
	run()
	if n := testing.AllocsPerRun(5, run); n != 0 {
		t.Errorf("%v allocations in %d frames", n, len(frames))
	}
}

func benchmarkFeed(b *testing.B, frames []canbus.Frame, step time.Duration) {
	r := NewReassembler()
	at := signal.Instant(0)
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		at = at.Add(step)
		r.Feed(&frames[i%len(frames)], at)
	}
}

func BenchmarkFeedHostile(b *testing.B) {
	rnd := rand.New(rand.NewPCG(5, 6))
	frames := make([]canbus.Frame, 1<<16)
	for i := range frames {
		frames[i] = hostileFrame(rnd)
	}
	benchmarkFeed(b, frames, 500*time.Microsecond)
}

func BenchmarkFeedTruck(b *testing.B) {
	frames, _ := recorded(b, "truck-keyon-engine-off.log.gz")
	benchmarkFeed(b, frames, 2*time.Millisecond)
}

func BenchmarkFeedBoat(b *testing.B) {
	frames, _ := recorded(b, "boat-n2k-one-minute.log.gz")
	benchmarkFeed(b, frames, 1200*time.Microsecond)
}
