package advise

import (
	"time"

	"chaffinch/canbus/signal"
)

// Memory is what outlives the program: plain values, to be stored as JSON.
// Instants in it count from the event time of the run that saved it.
type Memory struct {
	Saved signal.Instant `json:"saved_ns"`
	// Journal are the changes of the day with their verdicts, oldest first.
	Journal []JournalEntry `json:"journal"`
	// Tried are the moves that are not asked again today.
	Tried []Tried `json:"tried"`
	// Best are the settings that worked, per crop and moisture.
	Best []Best `json:"best"`
	// Counts are the newest calibrations, per crop and field.
	Counts []Calibration `json:"calibrations"`
	Field  string        `json:"field"`
}

// JournalEntry is a change of a setting and what came of it.
type JournalEntry struct {
	AtNS    signal.Instant `json:"at_ns"`
	Change  Change         `json:"change"`
	Verdict *Verdict       `json:"verdict"` // nil: not judged
}

// Tried is a move that was tried, and how it ended.
type Tried struct {
	Symptom   string `json:"symptom"`
	Lever     string `json:"lever"`
	Direction string `json:"direction"`
	Outcome   string `json:"outcome"` // a verdict's, or not-possible
	Unsure    int    `json:"unsure"`  // how often it could not be judged
}

// Best are settings with which nothing was wrong.
type Best struct {
	Crop        string         `json:"crop"`
	MoisturePct float64        `json:"moisture_pct"` // middle of its band; -1 where it was not known
	Settings    []SettingValue `json:"settings"`     // in the order of the levers
	FeedTH      float64        `json:"feed_t_h"`     // the mean that it did
	AtNS        signal.Instant `json:"at_ns"`
}

// SettingValue is where a lever stood.
type SettingValue struct {
	Lever string  `json:"lever"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Calibration puts a loss sensor's level against a count on the ground.
type Calibration struct {
	Symptom      string         `json:"symptom"`
	Crop         string         `json:"crop"`
	Field        string         `json:"field"`
	KgHaPerPoint float64        `json:"kg_ha_per_point"`
	TargetPct    float64        `json:"target_pct"`
	Basis        string         `json:"basis"`
	MoisturePct  float64        `json:"moisture_pct"` // -1 where it was not known
	AtNS         signal.Instant `json:"at_ns"`
}

// Memory is what there is to store now.
func (a *Adviser) Memory() Memory { return Memory{Saved: a.now} }

// Restore takes up what an earlier run stored, before the first Step. now is
// the event time at which this run begins, away the time between saving and
// now by a trusted clock; after more than newDay, or where it is not known
// (negative), what was tried is forgotten, and only what worked is kept.
func (a *Adviser) Restore(m Memory, now signal.Instant, away time.Duration) {}
