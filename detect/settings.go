package detect

import "chaffinch/canbus/signal"

// Settings is the [alarm] table of the configuration: one table a kind.
type Settings struct {
	BusErrors         BusErrors         `toml:"bus-errors"`
	BusSilent         BusSilent         `toml:"bus-silent"`
	SignalFaulty      SignalFaulty      `toml:"signal-faulty"`
	SignalSilent      SignalSilent      `toml:"signal-silent"`
	SignalImplausible SignalImplausible `toml:"signal-implausible"`
	SignalStuck       SignalStuck       `toml:"signal-stuck"`
	FaultCode         FaultCode         `toml:"fault-code"`
	EngineHot         EngineHot         `toml:"engine-hot"`
	RotorSlowing      RotorSlowing      `toml:"rotor-slowing"`
	EngineOverload    EngineOverload    `toml:"engine-overload"`
	FeedDrop          FeedDrop          `toml:"feed-drop"`
	FeedUneven        FeedUneven        `toml:"feed-uneven"`

	SeparationLossHigh LevelHigh `toml:"separation-loss-high"`
	CleaningLossHigh   LevelHigh `toml:"cleaning-loss-high"`
	CropLossHigh       LevelHigh `toml:"crop-loss-high"`
	ReturnsHigh        LevelHigh `toml:"returns-high"`
	BrokenGrainHigh    LevelHigh `toml:"broken-grain-high"`
	TrashHigh          LevelHigh `toml:"trash-high"`

	SpareCapacity SpareCapacity `toml:"spare-capacity"`
	LimitHolding  LimitHolding  `toml:"limit-holding"`
	NotRecording  OwnHealth     `toml:"not-recording"`
	ClockUnsure   OwnHealth     `toml:"clock-unsure"`
	BrokerAway    OwnHealth     `toml:"broker-away"`
}

// BusErrors: many error frames.
type BusErrors struct {
	Enabled bool           `toml:"enabled"`
	Share   signal.Percent `toml:"share_pct"`
	For     Duration       `toml:"for"`
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

// SignalImplausible: a value that cannot be, or two senders that disagree.
type SignalImplausible struct {
	Enabled     bool     `toml:"enabled"`
	For         Duration `toml:"for"`
	DisagreeFor Duration `toml:"disagree_for"`
}

// SignalStuck: a value that does not change though it must.
type SignalStuck struct {
	Enabled bool     `toml:"enabled"`
	For     Duration `toml:"for"`
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

// FeedUneven: the feed comes in bunches.
type FeedUneven struct {
	Enabled bool           `toml:"enabled"`
	CV      signal.Percent `toml:"variation_pct"`
	For     Duration       `toml:"for"`
}

// LevelHigh: the level of a loss, the returns, broken grain or trash is high.
type LevelHigh struct {
	Enabled bool `toml:"enabled"`
	// Target is the level that is too high, in the sensor's own percent; nil
	// is what is usual on this machine and more by Points and by Sigmas
	// standard deviations.
	Target *float64       `toml:"target_pct"`
	Points signal.Percent `toml:"over_points"`
	Sigmas float64        `toml:"over_sigmas"`
	For    Duration       `toml:"for"`
}

// SpareCapacity: the machine is far from full.
type SpareCapacity struct {
	Enabled bool           `toml:"enabled"`
	Below   signal.Percent `toml:"below_pct"`
	For     Duration       `toml:"for"`
}

// LimitHolding: a limit of the owner's keeps a remedy away.
type LimitHolding struct {
	Enabled bool     `toml:"enabled"`
	For     Duration `toml:"for"`
}

// OwnHealth: something is wrong with this program itself.
type OwnHealth struct {
	Enabled bool     `toml:"enabled"`
	For     Duration `toml:"for"`
}

// DefaultSettings are the promised thresholds.
func DefaultSettings() Settings {
	on := func(kind int) Duration { return Duration(kinds[kind].On) }
	level := LevelHigh{Enabled: true, Points: 15, Sigmas: 3, For: on(separationLossHigh)}
	own := func(kind int) OwnHealth { return OwnHealth{Enabled: true, For: on(kind)} }
	return Settings{
		BusErrors:         BusErrors{Enabled: true, Share: 1, For: on(busErrors)},
		BusSilent:         BusSilent{Enabled: true, For: on(busSilent)},
		SignalFaulty:      SignalFaulty{Enabled: true, For: on(signalFaulty)},
		SignalSilent:      SignalSilent{Enabled: true, For: on(signalSilent), AfterKeyOn: Duration(15 * sec)},
		SignalImplausible: SignalImplausible{Enabled: true, For: on(signalImplausible), DisagreeFor: Duration(10 * sec)},
		SignalStuck:       SignalStuck{Enabled: true, For: on(signalStuck)},
		FaultCode:         FaultCode{Enabled: true},
		EngineHot:         EngineHot{Enabled: true, Coolant: 105, For: on(engineHot)},
		RotorSlowing:      RotorSlowing{Enabled: true, Drop: 6, For: on(rotorSlowing)},
		EngineOverload:    EngineOverload{Enabled: true, Load: 95, For: on(engineOverload), LugLoad: 98, LugDrop: 5, LugFor: Duration(3 * sec), HighDrop: 10},
		FeedDrop:          FeedDrop{Enabled: true, Drop: 50, For: on(feedDrop), SpeedHeld: 70, MediumAfter: Duration(15 * sec)},
		FeedUneven:        FeedUneven{Enabled: true, CV: 25, For: on(feedUneven)},

		SeparationLossHigh: level, CleaningLossHigh: level, CropLossHigh: level,
		ReturnsHigh: level, BrokenGrainHigh: level, TrashHigh: level,

		SpareCapacity: SpareCapacity{Enabled: true, Below: 65, For: on(spareCapacity)},
		LimitHolding:  LimitHolding{Enabled: true, For: on(limitHolding)},
		NotRecording:  own(notRecording), ClockUnsure: own(clockUnsure), BrokerAway: own(brokerAway),
	}
}
