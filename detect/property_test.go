package detect

import (
	"math"
	"reflect"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"

	"pgregory.net/rapid"
)

// storm draws readings as a broken bus might give them: any signal, any
// quality, any value, gaps, and clocks that step.
type storm struct {
	machine *machine.Machine
	rules   *Detectors
	now     signal.Instant
	log     []Event
	steps   int
}

func newStorm() *storm {
	own := machine.DefaultSettings()
	own.RatedPowerKW = 250
	return &storm{machine: machine.New(own, wheat()), rules: New(DefaultSettings(), Facts{Machine: own, Crop: wheat()})}
}

func (s *storm) step() {
	s.now = s.now.Add(machine.Period)
	s.log = append(s.log, s.rules.Step(s.machine.Step(s.now))...)
	s.steps++
}

// shift is what one draw does to the machine for some seconds.
type shift struct {
	ID      signal.ID
	Value   float64
	Quality signal.Quality
	Seconds int
	Code    uint32
	Reset   bool
	Bus     bool
}

func drawShifts(t *rapid.T) []shift {
	value := rapid.OneOf(
		rapid.SampledFrom([]float64{0, 1, 5, 50, 97, 100, 110, 700, 850, 2000, -1, 1e300, math.NaN(), math.Inf(1)}),
		rapid.Float64Range(-200, 3000))
	one := rapid.Custom(func(t *rapid.T) shift {
		return shift{
			ID:      signal.ID(rapid.IntRange(0, signal.Count).Draw(t, "signal")),
			Value:   value.Draw(t, "value"),
			Quality: signal.Quality(rapid.SampledFrom([]int{1, 1, 1, 1, 1, 2, 3, 4, 0}).Draw(t, "quality")),
			Seconds: rapid.IntRange(0, 40).Draw(t, "seconds"),
			Code:    uint32(rapid.IntRange(0, 3).Draw(t, "code")),
			Reset:   rapid.IntRange(0, 30).Draw(t, "reset") == 0,
			Bus:     rapid.IntRange(0, 8).Draw(t, "bus") > 0,
		}
	})
	return rapid.SliceOfN(one, 1, 40).Draw(t, "shifts")
}

// play holds what was drawn and lets it stand for its seconds, on top of a
// machine at work.
func (s *storm) play(shifts []shift) {
	values := map[signal.ID]float64{
		signal.EngineSpeed.ID: 2000, signal.EngineLoad.ID: 75, signal.RotorSpeed.ID: 850, signal.GroundSpeed.ID: 5,
		signal.HeaderWorking.ID: 1, signal.ThreshingEngaged.ID: 1, signal.Coolant.ID: 90, signal.GrainFlow.ID: 25,
	}
	qualities := map[signal.ID]signal.Quality{}
	for _, sh := range shifts {
		values[sh.ID], qualities[sh.ID] = sh.Value, sh.Quality
		if sh.Reset {
			s.log = append(s.log, s.rules.Reset(s.now)...)
			s.machine.Reset()
		}
		var codes []machine.Fault
		for i := range sh.Code {
			codes = append(codes, machine.Fault{SPN: 100 + i, FMI: 3, Lamp: machine.Lamp(i + 1), Since: s.now})
		}
		for range sh.Seconds * 10 {
			if sh.Bus {
				s.machine.Heard(s.now)
				for id := range signal.ID(signal.Count + 1) {
					v, ok := values[id]
					if !ok {
						continue
					}
					q, ok := qualities[id]
					if !ok {
						q = signal.Good
					}
					s.machine.Apply(id, signal.Reading[float64]{Value: v, At: s.now, Heard: s.now, Quality: q})
				}
				s.machine.Faults(codes)
			}
			s.step()
		}
	}
}

func TestRaisedAndEndedAlternate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStorm()
		s.play(drawShifts(t))
		type key struct{ kind, subject string }
		active := map[key]bool{}
		last := map[key]signal.Instant{}
		number := uint64(0)
		for i := range s.log {
			e := &s.log[i]
			k := key{e.Kind, e.Subject}
			switch e.Phase {
			case Raised:
				if active[k] {
					t.Fatalf("%v was raised twice, at %s", k, seconds(e.Raised))
				}
				if at, ok := last[k]; ok && e.Raised.Sub(at) < time.Minute {
					t.Fatalf("%v was raised at %s and at %s", k, seconds(at), seconds(e.Raised))
				}
				if number++; e.Number != number {
					t.Fatalf("number %d after %d", e.Number, number-1)
				}
				active[k], last[k] = true, e.Raised
			case Changed:
				if !active[k] {
					t.Fatalf("%v changed while it was not active", k)
				}
			case Ended:
				if !active[k] {
					t.Fatalf("%v ended while it was not active", k)
				}
				active[k] = false
			}
			if e.Began > e.Raised || e.Phase == Ended && e.Ended < e.Began {
				t.Fatalf("%v began %s, raised %s, ended %s", k, seconds(e.Began), seconds(e.Raised), seconds(e.Ended))
			}
			if math.IsNaN(e.Peak.Value) || math.IsInf(e.Peak.Value, 0) {
				t.Fatalf("%v has peak %v", k, e.Peak.Value)
			}
			for _, f := range e.Evidence {
				if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) {
					t.Fatalf("%v has evidence %v", k, f)
				}
			}
		}
		for k, on := range active {
			found := false
			for _, e := range s.rules.Active() {
				found = found || e.Kind == k.kind && e.Subject == k.subject
			}
			if on != found {
				t.Fatalf("%v: active %v by its events, %v by the list", k, on, found)
			}
		}
	})
}

func TestSameInputSameEvents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shifts := drawShifts(t)
		a, b := newStorm(), newStorm()
		a.play(shifts)
		b.play(shifts)
		if !reflect.DeepEqual(a.log, b.log) {
			t.Fatalf("two runs differ:\n%v\n%v", a.log, b.log)
		}
	})
}

// A bus that carries nothing we can use raises nothing, for all its frames.
func TestBlindFromTheStartRaisesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newStorm()
		quality := rapid.SampledFrom([]signal.Quality{signal.Missing, signal.NotAvailable, signal.OutOfRange})
		for range rapid.IntRange(1, 20).Draw(t, "senders") {
			id := signal.ID(rapid.IntRange(0, signal.Count-1).Draw(t, "signal"))
			q := quality.Draw(t, "quality")
			for range 100 {
				s.machine.Heard(s.now)
				s.machine.Apply(id, signal.Reading[float64]{At: s.now, Heard: s.now, Quality: q})
				s.step()
			}
		}
		if len(s.log) > 0 {
			t.Fatalf("raised %v", s.log)
		}
	})
}

// working is a machine at work with all its signals, for measurements.
func working(tb testing.TB) *storm {
	s := newStorm()
	for range 3000 {
		feedWork(s, 0)
		s.step()
	}
	if len(s.log) > 0 {
		tb.Fatalf("steady work raised %v", s.log)
	}
	return s
}

func feedWork(s *storm, wobble float64) {
	s.machine.Heard(s.now)
	for _, v := range [...]struct {
		id    signal.ID
		value float64
	}{
		{signal.EngineSpeed.ID, 2000 + wobble}, {signal.EngineLoad.ID, 75 + wobble}, {signal.Coolant.ID, 92},
		{signal.RotorSpeed.ID, 850 + wobble}, {signal.GroundSpeed.ID, 5}, {signal.HeaderWorking.ID, 1},
		{signal.ThreshingEngaged.ID, 1}, {signal.GrainFlow.ID, 25 + wobble}, {signal.SeparationLoss.ID, 20 + wobble},
	} {
		s.machine.Apply(v.id, signal.Reading[float64]{Value: v.value, At: s.now, Heard: s.now, Quality: signal.Good})
	}
}

func TestSteadyWorkAllocatesNothing(t *testing.T) {
	s := working(t)
	i := 0
	if n := testing.AllocsPerRun(2000, func() {
		i++
		feedWork(s, math.Sin(float64(i)))
		s.now = s.now.Add(machine.Period)
		if events := s.rules.Step(s.machine.Step(s.now)); len(events) > 0 {
			t.Fatalf("steady work raised %v", events)
		}
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	s := working(b)
	b.ReportAllocs()
	b.Run("machine and rules", func(b *testing.B) {
		for b.Loop() {
			feedWork(s, 0)
			s.now = s.now.Add(machine.Period)
			s.rules.Step(s.machine.Step(s.now))
		}
	})
	b.Run("rules", func(b *testing.B) {
		feedWork(s, 0)
		s.now = s.now.Add(machine.Period)
		state := s.machine.Step(s.now)
		for b.Loop() {
			s.rules.Step(state)
		}
	})
}
