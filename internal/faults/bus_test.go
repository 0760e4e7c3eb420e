package faults

import (
	"context"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"chaffinch/canbus"
	"chaffinch/internal/daemon"
)

// crowded is a bus on which strangers talk as much as there is room for.
type crowded struct {
	*daemon.Pretend
	random *rand.Rand
	talk   func(random *rand.Rand, f *canbus.Frame)
	each   int // frames of strangers after each of the machine's
	frames int // of strangers so far
	last   atomic.Int64
}

func (c *crowded) Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error) {
	own := make([]canbus.Frame, len(dst)/(1+c.each))
	got, quiet, err := c.Pretend.Read(ctx, own)
	for _, f := range own[:got] {
		dst[n] = f
		n++
		for range c.each {
			dst[n] = canbus.Frame{Stamp: f.Stamp}
			c.talk(c.random, &dst[n])
			n++
			c.frames++
		}
		c.last.Store(f.Stamp)
	}
	return n, quiet, err
}

// strangers have addresses that nobody of the machine has.
func stranger(random *rand.Rand) uint32 { return 150 + random.Uint32N(80) }

func fill(random *rand.Rand, f *canbus.Frame) {
	f.Len = 8
	for i := range f.Data {
		f.Data[i] = byte(random.Uint32())
	}
}

// rubbish is any identifier, standard or extended, with any content. Fault codes
// (DM1) it leaves out: those of a stranger are told like any others.
func rubbish(random *rand.Rand, f *canbus.Frame) {
	fill(random, f)
	f.Len = uint8(random.Uint32N(9))
	if random.Uint32N(8) == 0 {
		f.ID = random.Uint32N(1 << 11)
		return
	}
	f.Flags = canbus.Extended
	f.ID = random.Uint32N(1<<21)<<8 | stranger(random)
	if f.ID>>8&0xFFFF == 0xFECA {
		f.ID ^= 0x100
	}
}

// transports begin and are not ended, or come from nowhere: TP, BAM and ETP, from
// and to everybody (SAE J1939-21, ISO 11783-3).
func transports(random *rand.Rand, f *canbus.Frame) {
	fill(random, f)
	f.Flags = canbus.Extended
	group := []uint32{0xEC, 0xEB, 0xC8, 0xC7}[random.Uint32N(4)]
	f.ID = 7<<26 | group<<16 | random.Uint32N(256)<<8 | stranger(random)
	if group == 0xEC {
		f.Data[0] = []byte{16, 17, 19, 32, 255}[random.Uint32N(5)]
	}
	if group == 0xC8 {
		f.Data[0] = byte(20 + random.Uint32N(4))
	}
}

// claims are of every free address, each time by somebody else (ISO 11783-5).
func claims(random *rand.Rand, f *canbus.Frame) {
	fill(random, f)
	f.Flags = canbus.Extended
	f.ID = 6<<26 | 0xEE<<16 | 0xFF<<8 | stranger(random)
}

// Promise: nothing that is sent on the bus can stop the program, fill its memory or
// hide an alarm.
func TestAHostileBusHidesNoAlarm(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays half an hour, three times over")
	}
	want := strings.Split(strings.TrimSpace(reference(t)), "\n")
	for _, c := range []struct {
		name string
		talk func(*rand.Rand, *canbus.Frame)
	}{{"rubbish", rubbish}, {"transports", transports}, {"address claims", claims}} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, harvest(), 2000)
			source := &crowded{Pretend: r.source.(*daemon.Pretend), random: rand.New(rand.NewPCG(1, 2)), talk: c.talk, each: 4}
			r.source = source
			before := heap()
			r.start()
			r.ended()
			grown := heap() - before
			machine, _ := r.all()
			got := strings.Split(strings.TrimSpace(whats(machine)), "\n")
			for _, w := range want {
				if !slices.Contains(got, w) {
					t.Errorf("not told: %s", w)
				}
			}
			more := 0
			for _, g := range got {
				if !slices.Contains(want, g) {
					t.Logf("told as well: %s", g) // a second sender of a position is one, and is told of
					more++
					if !strings.HasPrefix(g, "signal-") {
						t.Errorf("strangers raised %s", g)
					}
				}
			}
			if more > 8 {
				t.Errorf("%d phases of alarms that are the strangers' doing", more)
			}
			t.Logf("%d frames of strangers, %d phases told, heap grown by %.1f MB", source.frames, len(got), float64(grown)/1e6)
			if source.frames < 1_000_000 {
				t.Errorf("only %d frames of strangers", source.frames)
			}
			if grown > 8e6 {
				t.Errorf("the heap has grown by %.1f MB", float64(grown)/1e6)
			}
			r.nothingLost()
		})
	}
}

// heap is what is in use.
func heap() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
