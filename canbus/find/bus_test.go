package find

import (
	"fmt"
	"io"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// A made-up bus: proprietary messages crammed with fields of all kinds, one of
// which may be the signal that is looked for. Nothing of the finder's own code
// is used to lay out or read them.

// path is a value over time.
type path func(t float64) float64

// wander is a smooth random path from low to high: it works through its range
// in about slowestS and trembles a little within seconds.
func wander(rnd *rand.Rand, low, high, slowestS float64) path {
	type wave struct{ w, phase, size float64 }
	var waves []wave
	add := func(periodS, size float64) {
		waves = append(waves, wave{2 * math.Pi / periodS * (0.8 + 0.4*rnd.Float64()), rnd.Float64() * 6.28, size})
	}
	add(slowestS, 1)
	add(slowestS/2.3, 0.4)
	for range 3 {
		add(4+12*rnd.Float64(), 0.04)
	}
	return func(t float64) float64 {
		x := 0.0
		for _, w := range waves {
			x += w.size * math.Sin(w.w*t+w.phase)
		}
		return low + (high-low)*(0.5+0.5*math.Tanh(1.2*x))
	}
}

// steps is a setting that somebody changes now and then.
func steps(rnd *rand.Rand, low, high, everyS float64) path {
	levels := make([]float64, 64)
	for i := range levels {
		levels[i] = low + (high-low)*rnd.Float64()
	}
	shift := rnd.Float64() * everyS
	return func(t float64) float64 { return levels[int((t+shift)/everyS)%len(levels)] }
}

type madeField struct {
	low, length uint8 // in the message's byte order
	raw         func(t float64, n int) uint64
}

type madeMessage struct {
	id      uint32
	periodS float64
	phaseS  float64
	order   canbus.ByteOrder
	pages   int // more than 1: byte 1 tells which page a frame is
	fields  [][]madeField
}

// hidden is the signal that is looked for and where it was put.
type hidden struct {
	signal        signal.ID
	value         path
	step          float64
	message       *madeMessage
	page          int
	low, length   uint8
	scale, offset float64
	signed        bool
	noise         float64 // of the sensor, in the signal's unit
}

type madeBus struct {
	seed     uint64
	messages []*madeMessage
	fields   int
	seconds  float64
	hidden   hidden
	readings []Reading
	log      []canbus.Frame
}

// frames is the whole log, in order of time.
func (b *madeBus) frames() []canbus.Frame {
	if b.log != nil {
		return b.log
	}
	var out []canbus.Frame
	for _, m := range b.messages {
		n := 0
		for t := m.phaseS; t < b.seconds; t += m.periodS {
			var w uint64
			page := 0
			if m.pages > 1 {
				page = n % m.pages
			}
			for _, f := range m.fields[page] {
				w |= (f.raw(t, n/m.pages) & (1<<f.length - 1)) << f.low
			}
			if m.order == canbus.BigEndian {
				w = bits.ReverseBytes64(w)
			}
			if m.pages > 1 {
				w = w&^0xFF | uint64(page)
			}
			f := canbus.Frame{Stamp: int64(t * 1e9), ID: m.id, Len: 8, Flags: canbus.Extended}
			for i := range f.Data {
				f.Data[i] = byte(w >> (8 * i))
			}
			out = append(out, f)
			n++
		}
	}
	slices.SortFunc(out, func(a, b canbus.Frame) int {
		if a.Stamp != b.Stamp {
			return int(min(1, max(-1, a.Stamp-b.Stamp)))
		}
		return int(a.ID) - int(b.ID)
	})
	b.log = out
	return out
}

// source hands out frames.
type source struct{ frames []canbus.Frame }

func (s *source) Read(dst []canbus.Frame) (int, error) {
	if len(s.frames) == 0 {
		return 0, io.EOF
	}
	n := copy(dst, s.frames)
	s.frames = s.frames[n:]
	return n, nil
}

// others are fields of no interest.
func (b *madeBus) other(rnd *rand.Rand, length uint8, engine path) func(t float64, n int) uint64 {
	b.fields++
	top := float64(uint64(1)<<length - 1)
	noisy := rand.New(rand.NewPCG(rnd.Uint64(), 7))
	switch k := rnd.IntN(12); {
	case k < 4: // something that is measured
		p := wander(rnd, top*0.8*rnd.Float64(), top*(0.2+0.75*rnd.Float64()), 20+100*rnd.Float64())
		noise := rnd.Float64() * 4
		return func(t float64, _ int) uint64 { return clip(p(t)+noise*noisy.NormFloat64(), top) }
	case k < 6: // something that goes along with the engine
		share := top / 2600 * (0.4 + 0.5*rnd.Float64())
		noise := 2 + rnd.Float64()*10
		return func(t float64, _ int) uint64 { return clip(share*(engine(t)+noise*noisy.NormFloat64()), top) }
	case k < 8:
		p := steps(rnd, 0, top, 8+30*rnd.Float64())
		return func(t float64, _ int) uint64 { return clip(p(t), top) }
	case k == 8:
		return func(_ float64, n int) uint64 { return uint64(n) } // a rolling counter
	case k == 9:
		return func(float64, int) uint64 { return noisy.Uint64() } // a checksum
	case k == 10: // a total
		from, rate := top*rnd.Float64()*0.5, top*0.002*rnd.Float64()
		return func(t float64, _ int) uint64 { return clip(from+rate*t, top) }
	}
	v := []uint64{0, uint64(top), rnd.Uint64()}[rnd.IntN(3)]
	return func(float64, int) uint64 { return v }
}

func clip(x, top float64) uint64 { return uint64(min(max(math.Round(x), 0), top)) }

// kinds of signal that are looked for: their usual range and display.
var soughtKinds = []struct {
	id        signal.ID
	low, high float64
	step      float64
}{
	{signal.RotorSpeed.ID, 350, 1150, 1},
	{signal.RotorSpeed.ID, 600, 950, 10},
	{signal.FanSpeed.ID, 500, 1300, 1},
	{signal.SeparationLoss.ID, 2, 95, 1},
	{signal.CleaningLoss.ID, 0, 80, 1},
	{signal.Returns.ID, 5, 90, 1},
	{signal.FuelRate.ID, 12, 85, 0.1},
	{signal.HeaderHeight.ID, -150, 1300, 1},
	{signal.GrainFlow.ID, 5, 60, 0.1},
	{signal.GroundSpeed.ID, 0.5, 9, 0.1},
}

// madeUp makes a bus with at least 150 fields. With absent set, the signal has
// readings but no field.
func madeUp(seed uint64, readings int, absent bool) *madeBus {
	rnd := rand.New(rand.NewPCG(seed, 1234567))
	b := &madeBus{seed: seed, seconds: 150}
	engine := wander(rnd, 1400, 2050, 70)
	kind := soughtKinds[rnd.IntN(len(soughtKinds))]
	h := &b.hidden
	*h = hidden{signal: kind.id, step: kind.step, length: uint8(8 + rnd.IntN(17))}
	slow := 40 + 80*rnd.Float64()
	h.value = wander(rnd, kind.low, kind.high, slow)
	if kind.id == signal.RotorSpeed.ID && rnd.IntN(2) == 0 {
		// Behind a belt that slips, with a setting that is changed.
		ratio := steps(rnd, kind.low/1400, kind.high/2050, 40)
		slip := wander(rnd, 0, 0.03, 15)
		h.value = func(t float64) float64 { return engine(t) * ratio(t) * (1 - slip(t)) }
	}
	// The field holds the whole range and up to four times as much.
	most := kind.high + 0.1*(kind.high-kind.low)
	h.scale = most * (1 + 3*rnd.Float64()) / float64(uint64(1)<<h.length)
	switch rnd.IntN(4) {
	case 0, 1: // a round scale
		round := []float64{0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.125, 0.2, 0.25, 0.4, 0.5, 1, 2, 4, 5, 10, 20}
		for _, s := range round {
			if s*float64(uint64(1)<<h.length) > most*1.05 {
				h.scale = s
				break
			}
		}
	case 2: // an odd offset as well
		h.offset = math.Round(-most * 0.3 * rnd.Float64())
		h.scale *= 1.4
	}
	if kind.low < 0 {
		if h.signed = rnd.IntN(2) == 0; h.signed {
			h.scale *= 2
			h.offset = 0
		} else {
			h.offset = -500
			h.scale = (most + 500) * (1 + rnd.Float64()) / float64(uint64(1)<<h.length)
		}
	}
	h.noise = h.scale * rnd.Float64() * 2
	if rnd.IntN(3) == 0 {
		h.noise = kind.step * 0.2 * rnd.Float64()
	}

	place := rnd.IntN(28)
	for i := 0; b.fields < 150 || i < 30; i++ {
		m := &madeMessage{
			id:      uint32(6<<26 | (0xFF00+rnd.IntN(250))<<8 | rnd.IntN(240)),
			periodS: []float64{0.05, 0.1, 0.1, 0.2, 0.5, 1}[rnd.IntN(6)],
			order:   canbus.ByteOrder(rnd.IntN(2)), pages: 1,
		}
		if i%8 == 3 {
			m.id = uint32(6<<26 | 0xEF<<16 | rnd.IntN(240)<<8 | i)
		}
		if rnd.IntN(5) == 0 || i == place && rnd.IntN(5) == 0 {
			m.pages = 2 + rnd.IntN(5)
			m.periodS = []float64{0.05, 0.1}[rnd.IntN(2)]
		}
		if slices.ContainsFunc(b.messages, func(o *madeMessage) bool { return o.id<<3 == m.id<<3 }) {
			continue
		}
		m.phaseS = rnd.Float64() * m.periodS
		page := rnd.IntN(m.pages)
		for p := range m.pages {
			var fields []madeField
			low, end := uint8(0), uint8(64)
			if m.pages > 1 { // byte 1 is the page
				if m.order == canbus.LittleEndian {
					low = 8
				} else {
					end = 56
				}
			}
			put := i == place && p == page && !absent
			at := low
			if put {
				at = low + uint8(rnd.IntN(int(end-low-h.length)+1))
				if rnd.IntN(3) == 0 {
					at = at / 8 * 8
					at = max(at, low)
				}
			}
			for low < end {
				if put && low == at {
					h.message, h.page, h.low = m, p, at
					sensor := rand.New(rand.NewPCG(seed, 99))
					fields = append(fields, madeField{at, h.length, func(t float64, _ int) uint64 {
						raw := math.Round((h.value(t) + h.noise*sensor.NormFloat64() - h.offset) / h.scale)
						if h.signed {
							half := float64(uint64(1) << (h.length - 1))
							return uint64(int64(min(max(raw, -half), half-1)))
						}
						return clip(raw, float64(uint64(1)<<h.length-1))
					}})
					low += h.length
					continue
				}
				length := uint8([]int{1, 2, 4, 5, 8, 8, 8, 10, 12, 16, 16, 16, 24}[rnd.IntN(13)])
				limit := end
				if put && low < at {
					limit = at
				}
				length = min(length, limit-low)
				fields = append(fields, madeField{low, length, b.other(rnd, length, engine)})
				low += length
			}
			m.fields = append(m.fields, fields)
		}
		b.messages = append(b.messages, m)
	}
	// EEC1: the partner.
	b.messages = append(b.messages, &madeMessage{id: 0x0CF00400, periodS: 0.05, pages: 1, fields: [][]madeField{{
		{24, 16, func(t float64, _ int) uint64 { return uint64(engine(t) / 0.125) }},
	}}})

	// Readings: each in its own part of the log, rounded, up to 1 s late. Nobody
	// notes a value twice.
	for i := range readings {
		for try := range 20 {
			at := 8 + (b.seconds-10)*(float64(i)+0.9*rnd.Float64())/float64(readings)
			late := rnd.Float64()
			v := math.Round(h.value(at-late)/kind.step) * kind.step
			if try < 19 && slices.ContainsFunc(b.readings, func(r Reading) bool { return math.Abs(r.Value-v) < 0.04*(kind.high-kind.low) }) {
				continue
			}
			b.readings = append(b.readings, Reading{int64(at * 1e9), tidy(v)})
			break
		}
	}
	return b
}

func (b *madeBus) String() string {
	h := &b.hidden
	if h.message == nil {
		return fmt.Sprintf("seed %d: %s absent, step %g", b.seed, h.signal, h.step)
	}
	return fmt.Sprintf("seed %d: %s step %g in %07X page %d of %d, every %g s, %s, low %d, length %d, start %d, signed %t, scale %g, offset %g, noise %.2g",
		b.seed, h.signal, h.step, h.message.id&(1<<26-1), h.page, h.message.pages, h.message.periodS, []string{"little", "big"}[h.message.order],
		h.low, h.length, startBit(h.message.order, int(h.low), int(h.low+h.length-1)), h.signed, h.scale, h.offset, h.noise)
}
