package detect

import (
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// busSilence: no frame at all though the engine was last seen running. An
// engine that was seen to stop first is a key-off.
type busSilence struct {
	common
	set BusSilent
}

func newBusSilence(set BusSilent) *busSilence {
	return &busSilence{common: one(busSilent, ""), set: set}
}

func (b *busSilence) reset() {}

func (b *busSilence) step(s *machine.State, d *desk) {
	if s.Engine.LastRunning == machine.NotKnown || s.BusHeard == signal.Never {
		d.step(&b.slots[0], b.cannot(signal.EngineSpeed.ID), s, b)
		return
	}
	b.sees()
	silence := s.Now.Sub(s.BusHeard)
	f := finding{verdict: clear, priority: High, value: silence.Seconds(), unit: "s"}
	if silence >= b.set.For.get() && s.Engine.LastRunning == machine.Yes {
		f.verdict, f.ready, f.began = met, true, s.BusHeard
	}
	d.step(&b.slots[0], f, s, b)
}

func (b *busSilence) tell(e *Event, _ *alarm, s *machine.State) {
	e.Peak.Name = "silence_s"
	e.Evidence = []Fact{{Name: "silence_s", Value: round1(e.Peak.Value), Unit: "s"}}
	e.Text = fmt.Sprintf("No data for %.0f s: check plug", e.Peak.Value)
}
