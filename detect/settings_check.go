package detect

import (
	"fmt"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/problem"
)

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
	const min = time.Minute

	of(busErrors).number("share_pct", float64(s.BusErrors.Share), 0.1, 50, "%")
	of(busErrors).length("for", s.BusErrors.For, sec, 59*sec)
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

	of(signalImplausible).length("for", s.SignalImplausible.For, 100*ms, 10*min)
	of(signalImplausible).length("disagree_for", s.SignalImplausible.DisagreeFor, sec, 10*min)
	of(signalStuck).length("for", s.SignalStuck.For, 10*sec, 10*min)

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

	of(feedUneven).number("variation_pct", float64(s.FeedUneven.CV), kinds[feedUneven].Margin+5, 100, "%")
	of(feedUneven).length("for", s.FeedUneven.For, 5*sec, 10*min)
	for _, l := range []struct {
		kind int
		set  LevelHigh
	}{
		{separationLossHigh, s.SeparationLossHigh}, {cleaningLossHigh, s.CleaningLossHigh}, {cropLossHigh, s.CropLossHigh},
		{returnsHigh, s.ReturnsHigh}, {brokenGrainHigh, s.BrokenGrainHigh}, {trashHigh, s.TrashHigh},
	} {
		l.set.check(of(l.kind))
	}
	of(spareCapacity).number("below_pct", float64(s.SpareCapacity.Below), 20, 95, "%")
	of(spareCapacity).length("for", s.SpareCapacity.For, 10*sec, 30*min)
	of(limitHolding).length("for", s.LimitHolding.For, sec, 10*min)
	of(notRecording).length("for", s.NotRecording.For, 0, 60*min)
	of(clockUnsure).length("for", s.ClockUnsure.For, 0, 60*min)
	of(brokerAway).length("for", s.BrokerAway.For, 0, 60*min)
	return all
}

func (l LevelHigh) check(c check) {
	if l.Target != nil {
		c.number("target_pct", *l.Target, 0.1, 100, "%, the sensor's own")
	}
	c.number("over_points", float64(l.Points), 1, 80, "points")
	c.number("over_sigmas", l.Sigmas, 1, 10, "standard deviations")
	c.length("for", l.For, sec, 10*time.Minute)
}

func signalNames() []string {
	names := make([]string, signal.Count)
	for i := range signal.Infos {
		names[i] = signal.Infos[i].Name
	}
	return names
}
