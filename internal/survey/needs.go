package survey

import "chaffinch/canbus/signal"

// A kind of alarm can be judged when each of its needs is met; a need is met by
// any one of its signals.
type need []signal.ID

// kindNeeds says what each kind of alarm must hear.
var kindNeeds = []struct {
	kind  string
	needs []need
}{
	{"engine-overload", []need{{signal.EngineLoad.ID}}},
	{"rotor-slowing", []need{{signal.RotorSpeed.ID}, {signal.EngineSpeed.ID}}},
	{"feed-drop", []need{
		{signal.EngineLoad.ID, signal.EngineTorque.ID, signal.GrainFlow.ID},
		{signal.GroundSpeed.ID, signal.Latitude.ID},
		{signal.HeaderWorking.ID, signal.HeaderHeight.ID},
	}},
	{"feed-uneven", []need{
		{signal.EngineLoad.ID, signal.EngineTorque.ID, signal.GrainFlow.ID},
		{signal.GroundSpeed.ID, signal.Latitude.ID},
		{signal.HeaderWorking.ID, signal.HeaderHeight.ID},
	}},
	{"separation-loss-high", []need{{signal.SeparationLoss.ID}}},
	{"cleaning-loss-high", []need{{signal.CleaningLoss.ID}}},
	{"crop-loss-high", []need{{signal.CropLoss.ID}}},
	{"returns-high", []need{{signal.Returns.ID}}},
	{"broken-grain-high", []need{{signal.BrokenGrain.ID}}},
	{"trash-high", []need{{signal.Trash.ID}}},
	{"spare-capacity", []need{{signal.EngineLoad.ID}, {signal.HeaderWorking.ID, signal.HeaderHeight.ID}}},
	{"limit-holding", nil},
	{"engine-hot", []need{{signal.Coolant.ID}}},
	{"signal-silent", nil},
	{"signal-faulty", nil},
	{"signal-implausible", nil},
	{"signal-stuck", nil},
	{"fault-code", nil},
	{"bus-errors", nil},
	{"bus-silent", []need{{signal.EngineSpeed.ID}}},
}

// remedy is what to do for a signal that is missing.
type remedy uint8

const (
	tapEngineBus remedy = iota
	startTask
	findIt
	addReceiver
)

var remedies = [...]string{
	tapEngineBus: "tap the engine's or the vehicle's bus: it is an open J1939 message there",
	startTask:    "switch on task recording at the terminal: it then asks for it; or find it",
	findIt:       "in a maker's own frame: find it with chaffinch find, add a [[map]]",
	addReceiver:  "a GNSS receiver on the bus sends it; some only when set to NMEA 2000",
}

// signalNeeds says what each signal is good for, and what to do without it.
var signalNeeds = []struct {
	id    signal.ID
	costs string
	do    remedy
}{
	{signal.GroundSpeed.ID, "speed comes from positions if there are any; else no activity, no feed", tapEngineBus},
	{signal.EngineSpeed.ID, "no rotor alarm, no bus-silent alarm; overload only by load", tapEngineBus},
	{signal.EngineLoad.ID, "no overload alarm; no feed from engine power", tapEngineBus},
	{signal.EngineTorque.ID, "feed from power is less sure", tapEngineBus},
	{signal.FuelRate.ID, "no fuel figures", tapEngineBus},
	{signal.Coolant.ID, "no warning of a hot engine", tapEngineBus},
	{signal.RotorSpeed.ID, "no warning of a slowing rotor: the one that costs a day", findIt},
	{signal.FanSpeed.ID, "changes of the fan are not seen", startTask},
	{signal.Concave.ID, "changes of the concave are not seen", startTask},
	{signal.UpperSieve.ID, "changes of the upper sieve are not seen", startTask},
	{signal.LowerSieve.ID, "changes of the lower sieve are not seen", startTask},
	{signal.HeaderHeight.ID, "header in work must come from elsewhere", findIt},
	{signal.HeaderWorking.ID, "cutting and turning are told apart by load; no feed-drop alarm", findIt},
	{signal.ThreshingEngaged.ID, "threshing on or off is worked out from rotor and load", findIt},
	{signal.Unloading.ID, "unloading looks like feed: 15 to 40 kW", startTask},
	{signal.CutWidth.ID, "give cut_width_m in the configuration; narrow cuts are not seen", startTask},
	{signal.GrainFlow.ID, "feed rests on engine power: less sure; no tonnes", startTask},
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
	{signal.Heading.ID, "none yet", addReceiver},
	{signal.Altitude.ID, "slopes are not taken off the engine's power", addReceiver},
	{signal.Pitch.ID, "slopes come from altitude, if at all", addReceiver},
	{signal.Roll.ID, "none yet", addReceiver},
}
