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

	BusHeard signal.Instant // when the last good frame of any kind was received
	Faults   []Fault        // active fault codes, ordered by source, SPN and FMI
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
