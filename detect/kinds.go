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
)

// The kinds, causes before what they explain. Rules are stepped in this order.
const (
	busSilent = iota
	signalFaulty
	signalSilent
	faultCode
	engineHot
	rotorSlowing
	engineOverload
	feedDrop
	kindCount
)

var kinds = [kindCount]Kind{
	busSilent: {Name: "bus-silent", Priority: High,
		On: 2 * time.Second, Off: 0},
	signalFaulty: {Name: "signal-faulty", Speaks: OfSignal, Priority: Medium,
		On: 2 * time.Second, Off: 2 * time.Second, ExplainedBy: []string{"bus-silent"}},
	signalSilent: {Name: "signal-silent", Speaks: OfSignal, Priority: Medium,
		On: 5 * time.Second, Off: 2 * time.Second, ExplainedBy: []string{"bus-silent"}},
	faultCode: {Name: "fault-code", Speaks: OfFaultCode, Priority: Low,
		On: 0, Off: 0},
	engineHot: {Name: "engine-hot", Priority: High,
		On: 10 * time.Second, Off: 10 * time.Second, Margin: 2, Of: "Cel"},
	rotorSlowing: {Name: "rotor-slowing", Priority: High,
		On: 500 * time.Millisecond, Off: time.Second, Margin: 3, Of: "%"},
	engineOverload: {Name: "engine-overload", Priority: Medium, Cutting: true,
		On: 30 * time.Second, Off: 5 * time.Second, Margin: 3, Of: "%", ExplainedBy: []string{"rotor-slowing"}},
	feedDrop: {Name: "feed-drop", Priority: Low, Cutting: true, Settled: true,
		On: 4 * time.Second, Off: 3 * time.Second, Margin: 15, Of: "%", ExplainedBy: []string{"rotor-slowing"}},
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
