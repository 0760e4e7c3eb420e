package detect

import "time"

// Kind is what is known of one kind of alarm beforehand.
type Kind struct {
	Name     string
	Speaks   Speaks   // of what, where it can be active more than once
	Priority Priority // when raised; some rise later
	Cutting  bool     // judged only while cutting
	Settled  bool     // and not in the first seconds after entering the crop
	// On is the default on-delay: how long the condition has to hold before
	// the alarm is raised. The configuration may set another.
	On time.Duration
	// Off is the off-delay: how long the condition has to be away.
	Off time.Duration
	// Margin is how far back a value has to come, in the unit of Of.
	Margin float64
	Of     string
	// ExplainedBy are kinds that, while active, are the cause of this one.
	ExplainedBy []string
}

// Speaks says what the subject of an event is.
type Speaks uint8

const (
	OfMachine   Speaks = iota // no subject
	OfSignal                  // a signal's name
	OfFaultCode               // "spn-fmi@address"
	OfProgram                 // no subject: of this program's own health
)

// The kinds, causes before what they explain. Rules are stepped in this order.
const (
	busErrors = iota
	busSilent
	signalFaulty
	signalSilent
	signalImplausible
	signalStuck
	faultCode
	engineHot
	rotorSlowing
	engineOverload
	feedDrop
	feedUneven
	separationLossHigh
	cleaningLossHigh
	cropLossHigh
	returnsHigh
	brokenGrainHigh
	trashHigh
	spareCapacity
	limitHolding
	notRecording
	clockUnsure
	brokerAway
	kindCount
)

const (
	ms  = time.Millisecond
	sec = time.Second
)

// strain is what explains a loss: slow down, and it goes.
var strain = []string{"rotor-slowing", "engine-overload", "feed-uneven"}

var kinds = [kindCount]Kind{
	busErrors: {Name: "bus-errors", Priority: High,
		On: 10 * sec, Off: 10 * sec, Margin: 0.5, Of: "%"},
	busSilent: {Name: "bus-silent", Priority: High,
		On: 2 * sec, Off: 0},
	signalFaulty: {Name: "signal-faulty", Speaks: OfSignal, Priority: Medium,
		On: 2 * sec, Off: 2 * sec, ExplainedBy: []string{"bus-silent"}},
	signalSilent: {Name: "signal-silent", Speaks: OfSignal, Priority: Medium,
		On: 5 * sec, Off: 2 * sec, ExplainedBy: []string{"bus-silent"}},
	signalImplausible: {Name: "signal-implausible", Speaks: OfSignal, Priority: Low,
		On: 1 * sec, Off: 5 * sec, ExplainedBy: []string{"bus-silent"}},
	signalStuck: {Name: "signal-stuck", Speaks: OfSignal, Priority: Low, Cutting: true, Settled: true,
		On: 30 * sec, Off: 2 * sec, ExplainedBy: []string{"bus-silent"}},
	faultCode: {Name: "fault-code", Speaks: OfFaultCode, Priority: Low,
		On: 0, Off: 0},
	engineHot: {Name: "engine-hot", Priority: High,
		On: 10 * sec, Off: 10 * sec, Margin: 2, Of: "Cel"},
	rotorSlowing: {Name: "rotor-slowing", Priority: High,
		On: 500 * ms, Off: sec, Margin: 3, Of: "%"},
	engineOverload: {Name: "engine-overload", Priority: Medium, Cutting: true,
		On: 30 * sec, Off: 5 * sec, Margin: 3, Of: "%", ExplainedBy: []string{"rotor-slowing"}},
	feedDrop: {Name: "feed-drop", Priority: Low, Cutting: true, Settled: true,
		On: 4 * sec, Off: 3 * sec, Margin: 15, Of: "%", ExplainedBy: []string{"rotor-slowing"}},
	feedUneven: {Name: "feed-uneven", Priority: Low, Cutting: true, Settled: true,
		On: 30 * sec, Off: 15 * sec, Margin: 5, Of: "%", ExplainedBy: []string{"rotor-slowing", "engine-overload", "feed-drop"}},
	separationLossHigh: {Name: "separation-loss-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: strain},
	cleaningLossHigh: {Name: "cleaning-loss-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: strain},
	cropLossHigh: {Name: "crop-loss-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: append([]string{"separation-loss-high", "cleaning-loss-high"}, strain...)},
	returnsHigh: {Name: "returns-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: strain},
	brokenGrainHigh: {Name: "broken-grain-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: strain},
	trashHigh: {Name: "trash-high", Priority: Medium, Cutting: true, Settled: true,
		On: 10 * sec, Off: 15 * sec, Margin: 30, Of: "% of the excess", ExplainedBy: strain},
	spareCapacity: {Name: "spare-capacity", Priority: Low, Cutting: true, Settled: true,
		On: 90 * sec, Off: 10 * sec, Margin: 7, Of: "%", ExplainedBy: []string{"rotor-slowing", "engine-overload", "feed-drop",
			"separation-loss-high", "cleaning-loss-high", "crop-loss-high", "returns-high", "broken-grain-high", "trash-high"}},
	limitHolding: {Name: "limit-holding", Speaks: OfSignal, Priority: Low, Cutting: true, Settled: true,
		On: 10 * sec, Off: 5 * sec},
	notRecording: {Name: "not-recording", Speaks: OfProgram, Priority: Medium,
		On: 10 * sec, Off: 2 * sec},
	clockUnsure: {Name: "clock-unsure", Speaks: OfProgram, Priority: Low,
		On: 2 * time.Minute, Off: 5 * sec},
	brokerAway: {Name: "broker-away", Speaks: OfProgram, Priority: Low,
		On: 2 * time.Minute, Off: 5 * sec},
}

// Kinds lists the kinds of alarms, causes before what they explain.
func Kinds() []Kind { return append([]Kind(nil), kinds[:]...) }

// explains has a bit for each kind that explains the given one.
func explains(index int) (mask uint64) {
	for i := range kinds {
		for _, name := range kinds[index].ExplainedBy {
			if kinds[i].Name == name {
				mask |= 1 << i
			}
		}
	}
	return mask
}
