package machine

import (
	"time"

	"chaffinch/canbus/signal"
)

// Period is the step of the core: one State each.
const Period = 100 * time.Millisecond

// State is the machine at one instant: all that detectors may look at.
type State struct {
	Now     signal.Instant
	Segment int // counts the breaks of the stream's clock; nothing carries over one
	Signals signal.Table

	Activity Activity
	Basis    string         // on what Activity rests, in a few words
	Since    signal.Instant // when Activity began
	InCrop   signal.Instant // when the machine last entered the crop; meaningful while Cutting

	Feed Feed
	// Ledger is the time spent in each activity so far. Unlike all else it
	// outlives a break of the stream's clock.
	Ledger Ledger

	Engine    Engine
	Threshing Tri // whether the threshing part is engaged, worked out from what there is
	// Header is whether the header is in work by a signal of its own; NotKnown
	// where that is only concluded from load or flow.
	Header Tri
	Speed  Speed
	Rotor  Rotor
	Health [signal.Count]Health

	BusHeard signal.Instant // when the last good frame of any kind was received
	Bus      BusCount
	Faults   []Fault   // active fault codes, ordered by source, SPN and FMI
	Disputes []Dispute // signals of which two sources disagree, in the order of the list of signals
}

// BusCount counts frames of the segment: data, and error frames, which are a
// controller's reports about the bus.
type BusCount struct {
	Data, Errors uint64
}

// Dispute is a difference between the source in use of a signal and another
// that is good too, beyond what slip, delay and rounding explain.
type Dispute struct {
	Signal  signal.ID
	Since   signal.Instant
	Largest float64 // so far, in the signal's unit
	Other   signal.Source
}

// Tri is yes, no or not known. The zero value is the honest one.
type Tri uint8

const (
	NotKnown Tri = iota
	No
	Yes
)

// Engine is what is known of the engine's running.
type Engine struct {
	Running Tri
	// LastRunning is whether the engine ran when its speed was last known. A
	// silent bus does not change it.
	LastRunning Tri
	// Since is when Running last became Yes, or when the bus came back after
	// a silence if that was later: the key-on of a listener.
	Since signal.Instant
	// Reference is the speed that the engine keeps in work below full load;
	// meaningful if ReferenceKnown.
	Reference      signal.RPM
	ReferenceKnown bool
}

// Speed is the ground speed that the machine is taken to have.
type Speed struct {
	Value signal.KPH
	Known bool
	// FromTrack is set where the speed comes from positions, for want of a
	// fresh ground speed.
	FromTrack bool
}

// Rotor is what was heard of the rotor since the step before: a fall of half a
// second has to be judged at the rate of the readings, not of the steps.
type Rotor struct {
	Readings        int
	Lowest, Highest signal.RPM
	First           signal.Instant // when the first of them was received
}

// Health is when a signal last spoke, apart from what it said.
type Health struct {
	Ever     bool           // a good reading was heard in this segment
	Spoke    signal.Instant // newest reading that was anything but "not available", held alive by its sender if it is sent on change
	Heard    signal.Instant // newest reading of any quality, likewise
	Erring   signal.Instant // since when its sender says "error"; Never while it does not
	Interval time.Duration  // usual time between its readings, 0 until known
}

// Feed is the estimate of the crop entering the threshing element, grain and
// MOG together.
type Feed struct {
	Rate     signal.TPH
	SD       signal.TPH     // standard deviation of the error of Rate
	Fullness signal.Percent // Rate over the machine's own comfortable maximum
	Basis    FeedBasis
	// FullnessKnown is false until a comfortable maximum has been learned.
	FullnessKnown bool
}

// FeedBasis says on what a feed rate rests.
type FeedBasis uint8

const (
	NoFeed FeedBasis = iota
	FromSpeedWidth
	FromPower
	FromGrainFlow
)

var feedBasisNames = [...]string{"none", "speed-width", "power", "grain-flow"}

// String is the word that samples and MQTT use.
func (b FeedBasis) String() string {
	if int(b) < len(feedBasisNames) {
		return feedBasisNames[b]
	}
	return "invalid"
}

// Fault is an active diagnostic trouble code (SAE J1939-73, ISO 11783-12).
type Fault struct {
	Source signal.Source
	SPN    uint32
	FMI    uint8
	Count  uint8 // occurrence count, 127 is not available
	Lamp   Lamp  // the most urgent lamp that its sender lights
	Since  signal.Instant
}

// Lamp is the most urgent lamp in a DM1, in order of urgency.
type Lamp uint8

const (
	NoLamp Lamp = iota
	ProtectLamp
	MalfunctionLamp
	WarningLamp
	StopLamp
)
