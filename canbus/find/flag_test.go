package find

import (
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// flagBus is a made-up bus with a flag in it: bit low of a message, of one page
// if it has several, inverted or not, beside bits that are busy otherwise.
type flagBus struct {
	frames   []canbus.Frame
	changes  []Change
	id       uint32
	bit      int
	page     int // -1 for none
	inverted bool
}

func makeFlag(seed uint64, changes int, absent bool) *flagBus {
	rnd := rand.New(rand.NewPCG(seed, 77))
	base := madeUp(seed, 6, true)
	b := &flagBus{frames: slices.Clone(base.frames()), page: -1, inverted: rnd.IntN(3) == 0}
	b.id = uint32(6<<26 | 0xFFFF<<8 | rnd.IntN(200))
	b.bit = 8 + rnd.IntN(56)
	pages := 1
	if rnd.IntN(3) == 0 {
		pages = 3
		b.page = rnd.IntN(3)
	}
	var at []float64
	for i := range changes {
		at = append(at, base.seconds*(float64(i)+0.2+0.6*rnd.Float64())/float64(changes))
	}
	state := func(t float64) bool { // off at first
		n := 0
		for _, x := range at {
			if x <= t {
				n++
			}
		}
		return n%2 == 1
	}
	for i, x := range at {
		b.changes = append(b.changes, Change{int64((x + rnd.Float64()) * 1e9), i%2 == 0})
	}
	rare := wander(rnd, 0, 1, 30)
	n := 0
	for t := 0.013; t < base.seconds; t += 0.1 {
		f := canbus.Frame{Stamp: int64(t * 1e9), ID: b.id, Len: 8, Flags: canbus.Extended}
		w := uint64(0x3C) << 24
		if rare(t) > 0.5 {
			w |= 1 << 60
		}
		if rare(t+9) > 0.6 {
			w |= 1 << 41
		}
		if pages > 1 {
			w |= uint64(n % pages)
		}
		if b.page < 0 || n%pages == b.page {
			w &^= 1 << b.bit
			if !absent && state(t) != b.inverted {
				w |= 1 << b.bit
			}
		}
		for k := range f.Data {
			f.Data[k] = byte(w >> (8 * k))
		}
		b.frames = append(b.frames, f)
		n++
	}
	slices.SortStableFunc(b.frames, func(x, y canbus.Frame) int { return int(min(1, max(-1, x.Stamp-y.Stamp))) })
	return b
}

func TestHiddenFlags(t *testing.T) {
	const cases = 20
	first, found := 0, 0
	for seed := range uint64(cases) {
		b := makeFlag(seed+1, 6, false)
		r, err := Flags(&source{b.frames}, FlagQuery{Signal: signal.HeaderWorking.ID, Changes: b.changes})
		if err != nil {
			t.Fatal(err)
		}
		right := false
		if len(r.Best) > 0 {
			c := &r.Best[0]
			right = c.ID == b.id&(1<<26-1) && c.StartBit == b.bit && (c.Scale < 0) == b.inverted && (c.Map.When != nil) == (b.page >= 0)
			if wrong := c.Map.Validate(0); len(wrong) > 0 {
				t.Errorf("seed %d: %v", seed+1, wrong[0])
			}
		}
		if right {
			first++
		}
		if r.Verdict == Found {
			found++
			if !right {
				t.Errorf("seed %d: claimed, but wrong: bit %d of %07X page %d\n%s", seed+1, b.bit, b.id&(1<<26-1), b.page, textOf(t, r))
			}
		}
	}
	t.Logf("%d cases: first %d, claimed %d", cases, first, found)
	if first < cases*95/100 || found < cases*8/10 {
		t.Errorf("first %d, claimed %d of %d", first, found, cases)
	}
}

func TestAbsentFlags(t *testing.T) {
	for _, changes := range []int{3, 6} {
		for seed := range uint64(12) {
			b := makeFlag(seed+100, changes, true)
			r, err := Flags(&source{b.frames}, FlagQuery{Signal: signal.Unloading.ID, Changes: b.changes})
			if err != nil {
				t.Fatal(err)
			}
			if r.Verdict == Found || r.Verdict == Ambiguous {
				t.Errorf("seed %d, %d changes: claimed\n%s", seed+100, changes, textOf(t, r))
			}
		}
	}
}

// A state of two bits as SAE J1939-71 has it, with "not available" before the
// key is on, is mapped with both bits, so that 3 is no value.
func TestTwoBitState(t *testing.T) {
	var frames []canbus.Frame
	at := []float64{20, 41, 66, 83}
	for s := 0.0; s < 100; s += 0.1 {
		f := canbus.Frame{Stamp: int64(s * 1e9), ID: 0x18FF2185, Len: 8, Flags: canbus.Extended}
		v := byte(3)
		if s > 5 {
			n := 0
			for _, x := range at {
				if x <= s {
					n++
				}
			}
			v = byte(n % 2)
		}
		f.Data[2] = v << 4
		frames = append(frames, f)
	}
	var changes []Change
	for i, x := range at {
		changes = append(changes, Change{int64((x + 0.4) * 1e9), i%2 == 0})
	}
	r, err := Flags(&source{frames}, FlagQuery{Signal: signal.ThreshingEngaged.ID, Changes: changes})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Best) == 0 || r.Best[0].StartBit != 20 || r.Best[0].Length != 2 || r.Verdict != Found {
		t.Errorf("%s", textOf(t, r))
	}
}

func TestFlagQueries(t *testing.T) {
	three := []Change{{1e9, true}, {2e9, false}, {3e9, true}}
	if _, err := Flags(&source{}, FlagQuery{Signal: signal.RotorSpeed.ID, Changes: three}); err == nil {
		t.Error("a speed is no flag")
	}
	if _, err := Flags(&source{}, FlagQuery{Signal: signal.Unloading.ID, Changes: three[:2]}); err == nil {
		t.Error("two changes are too few")
	}
	r, err := Flags(&source{}, FlagQuery{Signal: signal.Unloading.ID, Changes: three})
	if err != nil || r.Verdict != Nothing || !strings.Contains(textOf(t, r), "nothing fits") {
		t.Errorf("an empty log: %v, %v", r, err)
	}
}

// hour is a full bus, 2000 frames a second, made up as it is read.
type hour struct {
	base  []canbus.Frame // of a few seconds, used over and over
	n     int
	stamp int64
	left  int
}

func (h *hour) Read(dst []canbus.Frame) (int, error) {
	if h.left == 0 {
		return (&source{}).Read(dst)
	}
	n := min(len(dst), h.left)
	for i := range dst[:n] {
		dst[i] = h.base[h.n%len(h.base)]
		dst[i].Stamp = h.stamp
		h.n++
		h.stamp += 500_000
	}
	h.left -= n
	return n, nil
}

// An hour at 2000 frames a second: the wish is less than 20 s on two cores.
func BenchmarkHour(b *testing.B) {
	m := madeUp(12, 6, false)
	base := m.frames()
	for b.Loop() {
		h := &hour{base: base, left: 7_200_000}
		q := Query{Signal: m.hidden.signal, Step: m.hidden.step}
		for i, r := range m.readings {
			q.Readings = append(q.Readings, Reading{int64(i+1) * int64(9*time.Minute), r.Value})
		}
		if _, err := Log(h, q); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(7_200_000*float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}

func FuzzSearch(f *testing.F) {
	f.Add([]byte("0123456789abcdefghijklmnopqrstuvwxyz0123456789abcdefghijklmnopqrstuvwxyz"), 1.0, 2.0, 3.5)
	f.Add(make([]byte, 400), 820.0, 905.0, 777.0)
	f.Fuzz(func(t *testing.T, b []byte, x, y, z float64) {
		var frames []canbus.Frame
		stamp := int64(0)
		for ; len(b) >= 12; b = b[12:] {
			stamp += int64(int8(b[0])) * 20e6
			fr := canbus.Frame{Stamp: stamp, ID: 0x18FF0000 | uint32(b[1]&3)<<8 | uint32(b[2]&1), Len: b[3] % 9, Flags: canbus.Flags(b[1] >> 3 & 1), Interface: b[2] >> 7}
			copy(fr.Data[:], b[4:12])
			frames = append(frames, fr)
		}
		q := Query{Signal: signal.RotorSpeed.ID, Readings: []Reading{{stamp / 4, x}, {stamp / 2, y}, {stamp, z}}}
		r, err := Log(&source{frames}, q)
		if err == nil {
			textOf(t, r)
		}
		Flags(&source{frames}, FlagQuery{Signal: signal.Unloading.ID, Changes: []Change{{stamp / 4, true}, {stamp / 2, false}, {stamp, true}}})
	})
}

// A log of noise, or of somebody's making, has no end of identifiers; memory has.
func TestFlagsOfTooManyMessages(t *testing.T) {
	const kinds = 3 * mostMessages
	n := 0
	r, err := Flags(sourceFunc(func(dst []canbus.Frame) (int, error) {
		for i := range dst {
			if n == 4*kinds {
				return i, io.EOF
			}
			dst[i] = canbus.Frame{Stamp: int64(n) * 1e6, ID: uint32(n%kinds)<<8 | 0x11, Len: 8, Flags: canbus.Extended, Data: [8]byte{byte(n)}}
			n++
		}
		return len(dst), nil
	}), FlagQuery{Signal: signal.Unloading.ID, Changes: []Change{{1e9, true}, {2e9, false}, {3e9, true}}})
	if err != nil {
		t.Fatal(err)
	}
	if r.Kinds > mostMessages || len(r.Notes) == 0 || !strings.Contains(r.Notes[0], "more than") {
		t.Errorf("%d messages, notes %q", r.Kinds, r.Notes)
	}
}

type sourceFunc func([]canbus.Frame) (int, error)

func (f sourceFunc) Read(dst []canbus.Frame) (int, error) { return f(dst) }
