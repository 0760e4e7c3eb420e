package virtual

import (
	"crypto/sha256"
	"encoding/binary"
	"testing"

	"chaffinch/canbus"
)

// live runs a scenario to its end and hands every frame to see.
func live(c *Combine, see func(f *canbus.Frame)) (frames int) {
	for f := range c.Frames() {
		see(f)
		frames++
	}
	return frames
}

// However the frames are asked for, they are the same.
func TestNextGivesTheFramesInAnyNumber(t *testing.T) {
	c, batch := New(Random(3, 0.05), 3), make([]canbus.Frame, 97)
	left, over := batch[:0], false
	n := 0
	for want := range New(Random(3, 0.05), 3).Frames() {
		for len(left) == 0 && !over {
			var k int
			k, over = c.Next(batch)
			left = batch[:k]
		}
		if len(left) == 0 || left[0] != *want {
			t.Fatalf("frame %d: %+v, want %+v", n, left[:min(1, len(left))], *want)
		}
		left = left[1:]
		n++
	}
	if _, over = c.Next(batch); len(left) > 0 || !over || n < 10_000 {
		t.Errorf("%d frames, and then %d more", n, len(left))
	}
}

func hash(s Scenario, seed uint64) [32]byte {
	h := sha256.New()
	var b [21]byte
	live(New(s, seed), func(f *canbus.Frame) {
		binary.LittleEndian.PutUint64(b[0:], uint64(f.Stamp))
		binary.LittleEndian.PutUint32(b[8:], f.ID)
		b[12] = f.Len
		copy(b[13:], f.Data[:])
		h.Write(b[:])
	})
	return [32]byte(h.Sum(nil))
}

func TestSameSeedSameBytes(t *testing.T) {
	s := Demo()
	first, second := hash(s, 7), hash(s, 7)
	if first != second {
		t.Error("the same scenario and seed gave different frames")
	}
	if first == hash(s, 8) {
		t.Error("another seed gave the same frames")
	}
}

func TestFramesComeInOrderOfTime(t *testing.T) {
	last := int64(0)
	live(New(Random(3, 2.2), 3), func(f *canbus.Frame) {
		if f.Stamp <= last {
			t.Fatalf("stamp %d after %d", f.Stamp, last)
		}
		last = f.Stamp
	})
}
