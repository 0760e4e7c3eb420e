package survey

import (
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// What chaffinch needs, for what. Tests hold these tables to the lists of
// alarms and signals.

// A need is met by any one of its signals, of which the first is the usual one.
type need []signal.ID

// lack is what a kind of alarm does less well without a signal.
type lack struct {
	id    signal.ID
	words string
}

// kindNeeds says what each kind of alarm must hear, and what makes it better.
var kindNeeds = []kindNeed{
	{kind: "bus-errors"},
	{kind: "bus-silent", needs: []need{running}},
	{kind: "signal-faulty"},
	{kind: "signal-silent", needs: []need{running}},
	{kind: "signal-implausible", needs: []need{running}},
	{kind: "signal-stuck", needs: []need{{signal.EngineLoad.ID, signal.FuelRate.ID, signal.EngineTorque.ID}}, cutting: true,
		better: []lack{{signal.EngineLoad.ID, "few signals have a partner to judge them by"}}},
	{kind: "fault-code", group: j1939.DM1},
	{kind: "engine-hot", needs: []need{{signal.Coolant.ID}}},
	{kind: "rotor-slowing", needs: []need{{signal.RotorSpeed.ID}, {signal.EngineSpeed.ID}},
		better: []lack{{signal.EngineLoad.ID, "a fall and an operator's change are harder to tell apart"},
			{signal.ThreshingEngaged.ID, "a stop looks like a switch-off at first"}}},
	{kind: "engine-overload", needs: []need{{signal.EngineLoad.ID}}, cutting: true,
		better: []lack{{signal.EngineSpeed.ID, "it warns after half a minute of full load, not when the engine slows"},
			{signal.HeaderWorking.ID, "cutting is told by power: less sure on headlands"}}},
	{kind: "feed-drop", needs: []need{feedMeasured, speed, header}, cutting: true,
		better: []lack{{signal.EngineLoad.ID, "it comes about 15 s later, by grain flow"},
			{signal.CutWidth.ID, "a narrow cut looks like a drop of feed"}}},
	{kind: "feed-uneven", needs: []need{feedMeasured, speed, header}, cutting: true,
		better: []lack{{signal.FeederLoad.ID, "the engine shows the bunches blurred"}}},
	{kind: "separation-loss-high", needs: []need{{signal.SeparationLoss.ID}}, cutting: true},
	{kind: "cleaning-loss-high", needs: []need{{signal.CleaningLoss.ID}}, cutting: true},
	{kind: "crop-loss-high", needs: []need{{signal.CropLoss.ID}}, cutting: true},
	{kind: "returns-high", needs: []need{{signal.Returns.ID}}, cutting: true},
	{kind: "broken-grain-high", needs: []need{{signal.BrokenGrain.ID}}, cutting: true},
	{kind: "trash-high", needs: []need{{signal.Trash.ID}}, cutting: true},
	{kind: "spare-capacity", needs: []need{feedMeasured, header}, cutting: true},
	{kind: "limit-holding", needs: []need{settings}, cutting: true, note: "only for settings that you give limits for in [machine]"},
	{kind: "not-recording", own: true},
	{kind: "clock-unsure", own: true},
	{kind: "broker-away", own: true},
}

type kindNeed struct {
	kind    string
	needs   []need
	cutting bool      // it must be known when the machine cuts
	own     bool      // of the program's own health: the bus does not matter
	group   j1939.PGN // some node must send it; 0 for none
	better  []lack
	note    string
}

// all are the needs, those of knowing when it cuts included.
func (k *kindNeed) all() []need {
	if k.cutting {
		return append(append([]need(nil), k.needs...), cuttingNeeds...)
	}
	return k.needs
}

// cuttingNeeds tell when the machine cuts.
var cuttingNeeds = []need{moving, threshing}

// Alternatives that several alarms share, the usual one first.
var (
	running   = need{signal.EngineSpeed.ID, signal.FuelRate.ID, signal.EngineLoad.ID, signal.RotorSpeed.ID}
	moving    = need{signal.GroundSpeed.ID, signal.Latitude.ID, signal.HeaderWorking.ID}
	threshing = need{signal.EngineSpeed.ID, signal.RotorSpeed.ID, signal.ThreshingEngaged.ID, signal.FanSpeed.ID,
		signal.GrainFlow.ID, signal.HeaderWorking.ID}
	speed  = need{signal.GroundSpeed.ID, signal.Latitude.ID}
	header = need{signal.HeaderWorking.ID, signal.HeaderHeight.ID}
	// settings are what the owner can give limits for.
	settings = need{signal.GroundSpeed.ID, signal.RotorSpeed.ID, signal.FanSpeed.ID, signal.Concave.ID,
		signal.UpperSieve.ID, signal.LowerSieve.ID}
	feedMeasured = need{signal.EngineLoad.ID, signal.EngineTorque.ID, signal.FuelRate.ID, signal.GrainFlow.ID}
)

// feedRoutes are the ways to the feed rate.
var feedRoutes = []struct {
	route string
	needs []need
	note  string
}{
	{"engine power", []need{{signal.EngineLoad.ID, signal.EngineTorque.ID, signal.FuelRate.ID}},
		"in tonnes only with rated_power_kw, or an engine that tells its reference torque"},
	{"grain flow", []need{{signal.GrainFlow.ID}}, "about 15 s behind the knife"},
	{"speed and width", []need{{signal.GroundSpeed.ID, signal.Latitude.ID}},
		"stands in, once another route has taught how dense the crop is"},
}

// remedy is what to do for a signal that is missing.
type remedy uint8

const (
	tapEngineBus remedy = iota
	startTask
	findIt
	addReceiver
)

// signalNeeds says what is lost without each signal beyond its alarms, and
// where else it could come from.
var signalNeeds = []struct {
	id    signal.ID
	costs string
	do    remedy
}{
	{signal.GroundSpeed.ID, "speed comes from positions if there are any; else no activity", tapEngineBus},
	{signal.EngineSpeed.ID, "whether the engine runs is a guess", tapEngineBus},
	{signal.EngineLoad.ID, "power is guessed from torque or fuel", tapEngineBus},
	{signal.EngineTorque.ID, "power is less sure", tapEngineBus},
	{signal.FuelRate.ID, "no fuel figures", tapEngineBus},
	{signal.Coolant.ID, "no warning of a hot engine", tapEngineBus},
	{signal.RotorSpeed.ID, "no warning of a slowing rotor: the one that costs a day", findIt},
	{signal.FanSpeed.ID, "changes of the fan are not seen", startTask},
	{signal.Concave.ID, "changes of the concave are not seen", startTask},
	{signal.UpperSieve.ID, "changes of the upper sieve are not seen", startTask},
	{signal.LowerSieve.ID, "changes of the lower sieve are not seen", startTask},
	{signal.HeaderHeight.ID, "header in work must come from elsewhere", findIt},
	{signal.HeaderWorking.ID, "cutting and turning are told apart by power and bends", findIt},
	{signal.ThreshingEngaged.ID, "threshing on or off is worked out from rotor and load", findIt},
	{signal.Unloading.ID, "unloading looks like feed: 15 to 40 kW", startTask},
	{signal.CutWidth.ID, "narrow cuts are not seen; area by cut_width_m", startTask},
	{signal.GrainFlow.ID, "no tonnes of grain; the feed is less sure", startTask},
	{signal.GrainMoisture.ID, "no moisture", startTask},
	{signal.SeparationLoss.ID, "losses behind the rotor are not seen", findIt},
	{signal.CleaningLoss.ID, "losses over the sieves are not seen", findIt},
	{signal.CropLoss.ID, "no undivided loss", startTask},
	{signal.Returns.ID, "returns are not seen", findIt},
	{signal.BrokenGrain.ID, "broken grain is seen in the tank sample only", findIt},
	{signal.Trash.ID, "trash is seen in the tank sample only", findIt},
	{signal.FeederLoad.ID, "a slug is seen later, at the rotor", findIt},
	{signal.Latitude.ID, "events have no place", addReceiver},
	{signal.Longitude.ID, "events have no place", addReceiver},
	{signal.Heading.ID, "nothing yet: it is only recorded", addReceiver},
	{signal.Altitude.ID, "slopes are not taken off the engine's power", addReceiver},
	{signal.Pitch.ID, "slopes come from altitude, if at all", addReceiver},
	{signal.Roll.ID, "nothing yet: it is only recorded", addReceiver},
}
