package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

// Settings is the [alarm] table of the configuration: one table a kind.
type Settings struct {
	BusSilent      BusSilent      `toml:"bus-silent"`
	SignalFaulty   SignalFaulty   `toml:"signal-faulty"`
	SignalSilent   SignalSilent   `toml:"signal-silent"`
	FaultCode      FaultCode      `toml:"fault-code"`
	EngineHot      EngineHot      `toml:"engine-hot"`
	RotorSlowing   RotorSlowing   `toml:"rotor-slowing"`
	EngineOverload EngineOverload `toml:"engine-overload"`
	FeedDrop       FeedDrop       `toml:"feed-drop"`
}

// BusSilent: no frame at all with the engine last seen running.
type BusSilent struct {
	Enabled bool     `toml:"enabled"`
	For     Duration `toml:"for"`
}

// SignalFaulty: a sender says "error" instead of a value.
type SignalFaulty struct {
	Enabled bool     `toml:"enabled"`
	For     Duration `toml:"for"`
}

// SignalSilent: a signal that was heard before, or is required, is not there.
type SignalSilent struct {
	Enabled    bool     `toml:"enabled"`
	For        Duration `toml:"for"`
	AfterKeyOn Duration `toml:"after_key_on"`
	// Required are names of signals that must be there even if they were
	// never heard.
	Required []string `toml:"required"`
}

// FaultCode: an active diagnostic trouble code.
type FaultCode struct {
	Enabled bool `toml:"enabled"`
}

// EngineHot: the coolant is too hot.
type EngineHot struct {
	Enabled bool           `toml:"enabled"`
	Coolant signal.Celsius `toml:"coolant_c"`
	For     Duration       `toml:"for"`
}

// RotorSlowing: the rotor falls behind what engine and setting imply.
type RotorSlowing struct {
	Enabled bool           `toml:"enabled"`
	Drop    signal.Percent `toml:"drop_pct"`
	For     Duration       `toml:"for"`
}

// EngineOverload: a load that lasts, or one under which the engine slows.
type EngineOverload struct {
	Enabled bool           `toml:"enabled"`
	Load    signal.Percent `toml:"load_pct"`
	For     Duration       `toml:"for"`
	// LugLoad with the engine LugDrop under its reference for LugFor is an
	// overload at once; HighDrop under it, an urgent one.
	LugLoad  signal.Percent `toml:"lug_load_pct"`
	LugDrop  signal.Percent `toml:"lug_drop_pct"`
	LugFor   Duration       `toml:"lug_for"`
	HighDrop signal.Percent `toml:"high_drop_pct"`
}

// FeedDrop: the feed falls away though the machine goes on.
type FeedDrop struct {
	Enabled     bool           `toml:"enabled"`
	Drop        signal.Percent `toml:"drop_pct"`
	For         Duration       `toml:"for"`
	SpeedHeld   signal.Percent `toml:"speed_held_pct"`
	MediumAfter Duration       `toml:"medium_after"`
}

// DefaultSettings are the promised thresholds.
func DefaultSettings() Settings {
	on := func(kind int) Duration { return Duration(kinds[kind].On) }
	return Settings{
		BusSilent:      BusSilent{Enabled: true, For: on(busSilent)},
		SignalFaulty:   SignalFaulty{Enabled: true, For: on(signalFaulty)},
		SignalSilent:   SignalSilent{Enabled: true, For: on(signalSilent), AfterKeyOn: Duration(15 * time.Second)},
		FaultCode:      FaultCode{Enabled: true},
		EngineHot:      EngineHot{Enabled: true, Coolant: 105, For: on(engineHot)},
		RotorSlowing:   RotorSlowing{Enabled: true, Drop: 6, For: on(rotorSlowing)},
		EngineOverload: EngineOverload{Enabled: true, Load: 95, For: on(engineOverload), LugLoad: 98, LugDrop: 5, LugFor: Duration(3 * time.Second), HighDrop: 10},
		FeedDrop:       FeedDrop{Enabled: true, Drop: 50, For: on(feedDrop), SpeedHeld: 70, MediumAfter: Duration(15 * time.Second)},
	}
}

// check collects the problems of one kind's table.
type check struct {
	kind string
	all  *[]*problem.Problem
}

func (c check) number(key string, v, lowest, highest float64, unit string) {
	if v >= lowest && v <= highest {
		return
	}
	c.add(key, fmt.Sprintf("%s is %g", key, v), fmt.Sprintf("give %g to %g %s", lowest, highest, unit))
}

func (c check) length(key string, v Duration, shortest, longest time.Duration) {
	if v.get() >= shortest && v.get() <= longest {
		return
	}
	c.add(key, fmt.Sprintf("%s is %q", key, v), fmt.Sprintf("give %q to %q", Duration(shortest), Duration(longest)))
}

func (c check) add(key, what, try string) {
	*c.all = append(*c.all, &problem.Problem{Key: "alarm." + c.kind + "." + key, What: what, Try: try})
}

// Validate returns what cannot be, all at once.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	of := func(kind int) check { return check{kind: kinds[kind].Name, all: &all} }
	const ms, min = time.Millisecond, time.Minute

	of(busSilent).length("for", s.BusSilent.For, 500*ms, min)
	of(signalFaulty).length("for", s.SignalFaulty.For, 100*ms, 10*min)
	of(signalSilent).length("for", s.SignalSilent.For, time.Second, 10*min)
	of(signalSilent).length("after_key_on", s.SignalSilent.AfterKeyOn, 0, 10*min)
	for i, name := range s.SignalSilent.Required {
		if _, ok := signal.ByName(name); !ok {
			of(signalSilent).add(fmt.Sprintf("required.%d", i), fmt.Sprintf("there is no signal %q", name),
				"give names such as rotor_speed_rpm"+problem.DidYouMean(name, signalNames()))
		}
	}

	of(engineHot).number("coolant_c", float64(s.EngineHot.Coolant), 60, 140, "degrees Celsius")
	of(engineHot).length("for", s.EngineHot.For, 0, 10*min)

	c := of(rotorSlowing)
	c.number("drop_pct", float64(s.RotorSlowing.Drop), kinds[rotorSlowing].Margin+0.5, 50, "%")
	c.length("for", s.RotorSlowing.For, 100*ms, min)

	c = of(engineOverload)
	c.number("load_pct", float64(s.EngineOverload.Load), 50, 125, "%")
	c.length("for", s.EngineOverload.For, time.Second, 10*min)
	c.number("lug_load_pct", float64(s.EngineOverload.LugLoad), 50, 125, "%")
	c.number("lug_drop_pct", float64(s.EngineOverload.LugDrop), 1, 50, "%")
	c.length("lug_for", s.EngineOverload.LugFor, 100*ms, min)
	c.number("high_drop_pct", float64(s.EngineOverload.HighDrop), float64(s.EngineOverload.LugDrop), 60, "%")

	c = of(feedDrop)
	c.number("drop_pct", float64(s.FeedDrop.Drop), 20, 95, "%")
	c.length("for", s.FeedDrop.For, time.Second, min)
	c.number("speed_held_pct", float64(s.FeedDrop.SpeedHeld), 10, 100, "%")
	c.length("medium_after", s.FeedDrop.MediumAfter, s.FeedDrop.For.get(), 10*min)
	return all
}

func signalNames() []string {
	names := make([]string, signal.Count)
	for i := range signal.Infos {
		names[i] = signal.Infos[i].Name
	}
	return names
}
