package survey

import (
	"chaffinch/canbus"
	"chaffinch/canbus/signal"
)

// Report is what a survey found. Its JSON form is for other programs: names
// carry their units, "_s" seconds of listening, "_hz" a second, "_ms"
// milliseconds, "_pct" percent. Addresses, PGN, SPN and DDI are numbers. Lists
// are complete, and in the same order each time.
type Report struct {
	Verdict    []string    `json:"verdict"`    // sentences: what it is
	Able       []string    `json:"able"`       // and what chaffinch could do and not do there
	DurationS  float64     `json:"duration_s"` // from the first frame on; steps of a log's clock count nothing
	ListenedS  float64     `json:"listened_s"` // of a live bus; 0 for logs
	ClockSteps int         `json:"clock_steps"`
	Frames     int64       `json:"frames"`
	Standard   int64       `json:"frames_11_bit"`
	Errors     int64       `json:"error_frames"`
	BadLines   int         `json:"bad_lines"`
	Dropped    uint64      `json:"frames_dropped"` // that this computer was too slow for
	Interfaces []Interface `json:"interfaces"`
	Nodes      []Node      `json:"nodes"`
	Moves      []Move      `json:"address_moves"`
	Messages   []Message   `json:"messages"` // the most frequent first
	Transport  []Transport `json:"transport"`
	Signals    []Signal    `json:"signals"` // every signal that chaffinch knows
	Alarms     []Alarm     `json:"alarms"`  // every kind of alarm
	Cutting    Ability     `json:"cutting"` // whether it could be told when the machine cuts
	Feed       []Ability   `json:"feed_routes"`
	Faults     []Fault     `json:"fault_codes"`
	Reporters  int         `json:"nodes_that_report_faults"` // by DM1, with or without a code
	Pools      []Pool      `json:"device_descriptor_pools"`
	Values     []Value     `json:"process_data"`
	Tasks      []Place     `json:"task_controllers"`
	Clock      *Clock      `json:"bus_time,omitempty"` // the newest
	Config     string      `json:"config"`             // a configuration to begin with
}

// Interface is how full a bus is.
type Interface struct {
	Name        string  `json:"name"`
	Frames      int64   `json:"frames"`
	BitrateKbit int     `json:"bitrate_kbit_s"` // the loads are for
	LoadPct     float64 `json:"load_pct"`       // mean
	BusiestPct  float64 `json:"busiest_second_load_pct"`
}

// Place is an address on an interface.
type Place struct {
	Interface string `json:"interface"`
	Address   uint8  `json:"address"`
}

// Node is who sends.
type Node struct {
	Place
	Name     string  `json:"name,omitempty"` // 16 hex digits, if it was claimed
	Parts    *Parts  `json:"name_parts,omitempty"`
	Words    string  `json:"words"`
	Frames   int64   `json:"frames"`
	SharePct float64 `json:"share_of_traffic_pct"` // of the bits on its interface
}

// Parts are the fields of a NAME (ISO 11783-5).
type Parts struct {
	Group            uint8  `json:"industry_group"`
	Class            uint8  `json:"device_class"`
	ClassInstance    uint8  `json:"device_class_instance"`
	Function         uint8  `json:"function"`
	FunctionInstance uint8  `json:"function_instance"`
	ECUInstance      uint8  `json:"ecu_instance"`
	Manufacturer     uint16 `json:"manufacturer_code"`
	Identity         uint32 `json:"identity"`
}

// Move is a node that left an address.
type Move struct {
	Interface string `json:"interface"`
	Name      string `json:"name"`
	From      uint8  `json:"from"`
	To        uint8  `json:"to"` // 254: it has none now
	Commanded bool   `json:"commanded"`
}

// Message is what a node sends of one parameter group.
type Message struct {
	Place
	PGN       uint32  `json:"pgn"`
	Words     string  `json:"words"`
	Whole     bool    `json:"in_several_frames"` // whole messages are counted here, not their frames
	ShortestB int     `json:"shortest_bytes"`
	LongestB  int     `json:"longest_bytes"`
	Count     int64   `json:"count"`
	RateHz    float64 `json:"rate_hz"`   // mean
	PeriodMs  float64 `json:"period_ms"` // median interval
	JitterMs  float64 `json:"jitter_ms"` // 95 % of the intervals are that near to the median

	maker bool // the layout is the maker's own
}

// Transport is what became of messages in several frames, by kind.
type Transport struct {
	Kind     string `json:"kind"`
	Complete uint64 `json:"complete"`
	Aborted  uint64 `json:"aborted"` // by one of the two nodes
	Lost     uint64 `json:"lost"`    // packets missed, or contradicted
	Orphans  uint64 `json:"packets_without_message"`
	Repeats  uint64 `json:"packets_twice"`
}

// Signal is what was heard of a signal.
type Signal struct {
	Name       string   `json:"signal"`
	State      string   `json:"state"` // heard, silent, not-available, error, out-of-range or missing
	Unit       string   `json:"unit,omitempty"`
	Ways       []Way    `json:"ways,omitempty"`              // the one in use first, then the fullest
	DifferBy   float64  `json:"sources_differ_by,omitempty"` // at most, in the signal's unit, beyond what slip and delay explain
	WithoutS   float64  `json:"without_s,omitempty"`         // seconds since the last value, if it had one
	Costs      string   `json:"costs,omitempty"`             // what is lost without it
	Blind      []string `json:"blind,omitempty"`             // alarms that cannot be given without it
	Worse      []string `json:"worse,omitempty"`             // alarms that are worse without it
	FeedRoutes []string `json:"feed_route,omitempty"`        // to which it belongs
	Do         string   `json:"do,omitempty"`

	id signal.ID
}

// Way is a sender and a route of a signal.
type Way struct {
	Place            // address 254 for frames of 11 bits
	Route    string  `json:"route"` // as in [prefer]
	InUse    bool    `json:"in_use"`
	RateHz   float64 `json:"rate_hz"`
	OnChange bool    `json:"on_change"` // sent when it changes, or as a task controller asks
	Good     int64   `json:"good"`
	Unusable int64   `json:"unusable"` // readings without a value
	Lowest   float64 `json:"lowest"`   // in the unit of the signal
	Highest  float64 `json:"highest"`
}

// Alarm is whether a kind of alarm could be given.
type Alarm struct {
	Kind     string   `json:"kind"`
	Possible bool     `json:"possible"`
	Missing  []string `json:"missing,omitempty"` // each entry names what would do
	Worse    []string `json:"worse,omitempty"`   // what it does less well, and why
	Note     string   `json:"note,omitempty"`
	Own      bool     `json:"of_chaffinch_itself,omitempty"`
}

// Ability is something that chaffinch could work out or not.
type Ability struct {
	What     string   `json:"what"`
	Possible bool     `json:"possible"`
	Missing  []string `json:"missing,omitempty"`
	Note     string   `json:"note,omitempty"`
}

// Fault is a trouble code that was active.
type Fault struct {
	Place
	SPN   uint32 `json:"spn"`
	FMI   uint8  `json:"fmi"`
	Count uint8  `json:"occurrences,omitempty"` // if its sender counts
	Lamp  string `json:"lamp,omitempty"`        // the most urgent that its sender lights
	Words string `json:"words"`
}

// Pool is what an implement says of itself.
type Pool struct {
	Place
	Designator string    `json:"designator"`
	Version    string    `json:"version"`
	Serial     string    `json:"serial"`
	Name       string    `json:"name"`
	Elements   []Element `json:"elements"`
	DDIs       []uint16  `json:"ddis"` // of values that can be asked for
}

// Element is a part of an implement.
type Element struct {
	Number     uint16 `json:"number"`
	Type       string `json:"type"`
	Designator string `json:"designator"`
}

// Value is a process data value that came from a client.
type Value struct {
	Place
	Element uint16 `json:"element"`
	DDI     uint16 `json:"ddi"`
	Words   string `json:"words"`
	Count   int64  `json:"count"`
	Lowest  int32  `json:"lowest_raw"`
	Highest int32  `json:"highest_raw"`
}

// Clock is what the bus takes the time to be.
type Clock struct {
	UTC  string  `json:"utc"` // RFC 3339
	PGN  uint32  `json:"pgn"`
	From []Place `json:"from"` // who sends that group
}

// Report says what was found. Names are those of the interfaces.
func (s *Survey) Report(names []string, log canbus.Stats) *Report {
	r := &Report{
		DurationS: s.lived.Seconds(), ListenedS: s.listening.Seconds(), ClockSteps: s.clockSteps,
		Frames: s.frames, Standard: s.standard, Errors: s.errorFrames, BadLines: log.Bad, Dropped: s.dropped,
	}
	b := builder{Survey: s, interfaces: names, r: r}
	r.Interfaces = b.loads()
	r.Nodes, r.Moves = b.nodes(), b.moves()
	r.Messages, r.Transport = b.messages(), b.transport()
	r.Faults, r.Reporters = b.faults(), b.reporters()
	r.Pools, r.Values, r.Tasks, r.Clock = b.pools(), b.values(), b.tasks(), b.clock()
	r.Signals = b.signals()
	r.Cutting = b.cutting()
	r.Alarms, r.Feed = b.alarms(), b.feed()
	r.Verdict = b.verdict()
	r.Able = b.able()
	r.Config = b.configText()
	return r
}
