package find

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// recorded reads a recording of testdata/real.
func recorded(t *testing.T, name string) []canbus.Frame {
	t.Helper()
	path := "../../testdata/real/can/" + name
	log, err := canbus.OpenLogs(path)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	var all []canbus.Frame
	batch := make([]canbus.Frame, 4096)
	for {
		n, err := log.Read(batch)
		all = append(all, batch[:n]...)
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// Signals whose place SAE J1939-71 gives are hidden from nobody, so real
// machines give cases with a known answer: readings are taken from the frames
// by the standard's layout, rounded and up to a second late.
func TestRecordedSignals(t *testing.T) {
	cases := []struct {
		log             string
		id              signal.ID
		pgn             uint32
		byteAt, bytes   int // from 0
		scale, display  float64
		start, length   int
		lowest, highest float64
	}{
		{"tractor-start-and-rev.log", signal.EngineSpeed.ID, 61444, 3, 2, 0.125, 1, 24, 16, 0, 1300},
		{"tractor-start-and-rev.log", signal.EngineSpeed.ID, 61444, 3, 2, 0.125, 10, 24, 16, 0, 1300},
		{"tractor-start-and-rev.log", signal.FuelRate.ID, 65266, 0, 2, 0.05, 0.1, 0, 16, 0, 7},
		{"tractor-keyon-pause.log", signal.EngineSpeed.ID, 61444, 3, 2, 0.125, 1, 24, 16, 0, 1100},
		{"tractor-gears-difflock.log", signal.EngineSpeed.ID, 61444, 3, 2, 0.125, 1, 24, 16, 0, 1100},
	}
	for _, c := range cases {
		frames := recorded(t, c.log)
		type point struct {
			stamp int64
			value float64
		}
		var series []point
		for i := range frames {
			f := &frames[i]
			if f.ID>>8&0x3FFFF != c.pgn || f.ID&0xFF != 0 {
				continue
			}
			raw := uint64(f.Data[c.byteAt])
			if c.bytes == 2 {
				raw = uint64(binary.LittleEndian.Uint16(f.Data[c.byteAt:]))
			}
			series = append(series, point{f.Stamp, float64(raw) * c.scale})
		}
		rnd := rand.New(rand.NewPCG(7, uint64(c.pgn)))
		var readings []Reading
		for try := 0; len(readings) < 8 && try < 5000; try++ {
			p := series[rnd.IntN(len(series))]
			v := tidy(math.Round(p.value/c.display) * c.display)
			fresh := v >= c.lowest && v <= c.highest
			for _, r := range readings {
				if math.Abs(float64(r.Stamp-p.stamp)) < 0.7e9 || try < 2000 && r.Value == v {
					fresh = false
				}
			}
			if fresh {
				readings = append(readings, Reading{p.stamp + int64(rnd.Float64()*1e9), v})
			}
		}
		r, err := Log(&source{frames}, Query{Signal: c.id, Readings: readings, Step: c.display})
		if err != nil {
			t.Fatalf("%s: %v", c.log, err)
		}
		if len(r.Best) == 0 {
			t.Errorf("%s %s: nothing\n%v\n%s", c.log, c.id, readings, textOf(t, r))
			continue
		}
		b := &r.Best[0]
		if b.PGN != c.pgn || b.StartBit != c.start || math.Abs(b.Scale-c.scale) > 0.02*c.scale || r.Verdict != Found {
			t.Errorf("%s %s in steps of %g: want PGN %d from bit %d, scale %g\n%v\n%s", c.log, c.id, c.display, c.pgn, c.start, c.scale, readings, textOf(t, r))
		}
	}
}

// None of the recorded machines has a rotor or a loss sensor: nothing on their
// buses is claimed to be one.
func TestRecordedMachinesWithoutTheSignal(t *testing.T) {
	logs := []string{
		"tractor-start-and-rev.log", "tractor-gears-difflock.log", "truck-idle-two-channels.log.gz",
		"truck-busy-bus-values-not-available.log.gz", "boat-n2k-one-minute.log.gz", "boat-n2k-clock-step.log.gz",
	}
	for n, name := range logs {
		frames := recorded(t, name)
		first, last := frames[0].Stamp, frames[len(frames)-1].Stamp
		for _, readings := range []int{3, 6} {
			rnd := rand.New(rand.NewPCG(uint64(n), uint64(readings)))
			speed := wander(rnd, 400, 1100, 30)
			loss := wander(rnd, 0, 90, 20)
			for _, c := range []struct {
				id    signal.ID
				value path
			}{{signal.RotorSpeed.ID, speed}, {signal.SeparationLoss.ID, loss}} {
				q := Query{Signal: c.id, Step: 1}
				for i := range readings {
					at := (float64(i) + 0.2 + 0.7*rnd.Float64()) / float64(readings) * float64(last-first)
					q.Readings = append(q.Readings, Reading{first + int64(at), math.Round(c.value(at / 1e9))})
				}
				r, err := Log(&source{frames}, q)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				if r.Verdict == Found || r.Verdict == Ambiguous {
					t.Errorf("%s: %s claimed\n%v\n%s", name, c.id, q.Readings, textOf(t, r))
				}
			}
		}
	}
}
