package shift

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"

	"chaffinch/canbus/signal"
)

// Summary is a shift so far, or as a whole. It is a value that owns all it points
// to, and is stored and published as it stands.
type Summary struct {
	Number  uint32 `json:"number"`
	Machine string `json:"machine"`
	Crop    string `json:"crop"`  // as set when the shift began
	Began   Moment `json:"began"` // the first cut
	Ended   Moment `json:"ended"` // the last cut or unloading so far
	Over    bool   `json:"over"`
	// Runs is in how many runs of the program it was gathered: 1 and the restarts.
	Runs int `json:"runs"`

	Total  Totals  `json:"total"`
	Fields []Field `json:"fields"` // in the order in which they were begun

	Alarms   []Count       `json:"alarms"`   // raised, by kind, in the order of names
	Prompts  []Count       `json:"prompts"`  // by what became of them: opened, done, later…
	Verdicts []Count       `json:"verdicts"` // by outcome
	Checks   []Count       `json:"checks"`   // told, by what was looked at: tank, returns, ground
	Settings []Count       `json:"settings"` // changed, by lever
	Ground   []GroundCount `json:"ground"`   // counts on the ground, oldest first, at most MaxGround
}

// Moment is an instant that outlives its run. Its date is worked out when it is
// read, from what is known of the boot's clock by then.
type Moment struct {
	Boot uint64         `json:"boot"`
	At   signal.Instant `json:"at_ns"`
}

// Field is a part of a shift.
type Field struct {
	Number int    `json:"number"` // counts the fields of the shift, from 1
	Name   string `json:"name"`   // as the operator called it; may be empty
	Began  Moment `json:"began"`
	Ended  Moment `json:"ended"`
	// Bounds of what was cut; meaningful if Located.
	South   signal.Degree `json:"south_deg"`
	West    signal.Degree `json:"west_deg"`
	North   signal.Degree `json:"north_deg"`
	East    signal.Degree `json:"east_deg"`
	Located bool          `json:"located"`
	Total   Totals        `json:"total"`
}

// Amount is a sum or a mean with what it rests on.
type Amount struct {
	Value float64 `json:"value"`
	Basis string  `json:"basis"` // in a few words
	// Estimated is set where it is not measured, in part or as a whole.
	Estimated bool `json:"estimated"`
	// KnownPct is in which part of the time in question its source was known.
	KnownPct float64 `json:"known_pct"`
}

// Totals are sums. What is nil is not known.
type Totals struct {
	// AreaHa is the ground that was cut, each square metre of a field once.
	AreaHa *Amount `json:"area_ha"`
	// WorkedHa is cut width times distance; what was cut twice is in it twice.
	WorkedHa *Amount `json:"worked_ha"`
	GrainT   *Amount `json:"grain_t"` // wet, as it came in
	// StandardT is GrainT at the moisture that the trade pays for.
	StandardT *Amount `json:"standard_t"`
	FeedT     *Amount `json:"feed_t"` // grain and MOG; always an estimate
	FuelL     *Amount `json:"fuel_l"`
	CutKm     *Amount `json:"cut_km"`    // distance while cutting
	DrivenKm  *Amount `json:"driven_km"` // distance in all

	Times Times `json:"times"`

	HaPerHCutting *Amount `json:"ha_per_h_cutting"`
	HaPerHField   *Amount `json:"ha_per_h_field"`
	TPerHCutting  *Amount `json:"t_per_h_cutting"`
	TPerHField    *Amount `json:"t_per_h_field"`
	YieldTHa      *Amount `json:"yield_t_ha"`
	LPerH         *Amount `json:"l_per_h"` // over the time with the engine on
	LPerHa        *Amount `json:"l_per_ha"`
	LPerT         *Amount `json:"l_per_t"`
	// FieldEfficiencyPct is the area rate over field time against cutting time.
	FieldEfficiencyPct *Amount `json:"field_efficiency_pct"`

	MoisturePct *Amount `json:"moisture_pct"` // mean, weighted by grain flow
	MoistureMin float64 `json:"moisture_min_pct"`
	MoistureMax float64 `json:"moisture_max_pct"`

	// Levels are means and maxima while cutting, in the order of the list of
	// signals; of signals that were never known there is none. Loss, returns and
	// quality are the sensors' own relative levels.
	Levels []Level `json:"levels"`
	// FullnessPct is the mean while cutting of feed over the comfortable maximum.
	FullnessPct *Amount `json:"fullness_pct"`

	// LossKg is grain that was left, from the counts on the ground of the shift;
	// nil without a count. Only the total has it.
	LossKg *Amount `json:"loss_kg"`
	// LossMoney is its worth, in the currency of the price that was told with a
	// count; nil without a price.
	LossMoney *Amount `json:"loss_money"`
}

// Times is where the time went, in seconds of what was recorded. The activities
// up to UnknownS add up to TotalS. OnTheGoS is a part of CuttingS.
type Times struct {
	CuttingS    float64 `json:"cutting_s"`
	TurningS    float64 `json:"turning_s"`
	UnloadingS  float64 `json:"unloading_s"` // standing
	WaitingS    float64 `json:"waiting_s"`
	BlockedS    float64 `json:"blocked_s"`
	IdleS       float64 `json:"idle_s"`
	TravellingS float64 `json:"travelling_s"`
	OffS        float64 `json:"off_s"`
	UnknownS    float64 `json:"unknown_s"`
	OnTheGoS    float64 `json:"unloading_on_the_go_s"`

	TotalS float64 `json:"total_s"`
	// FieldS is the time at work in a field: all but road, engine off and not known.
	FieldS float64 `json:"field_s"`
	// RoadS is travelling outside what was cut; a part of TravellingS.
	RoadS    float64 `json:"road_s"`
	EngineS  float64 `json:"engine_s"`  // engine running
	UnheardS float64 `json:"unheard_s"` // between runs, and breaks of the bus, as far as known; in no other sum
}

// Level is how high a signal was while cutting.
type Level struct {
	Signal string  `json:"signal"`
	Mean   float64 `json:"mean"`
	Max    float64 `json:"max"`
	KnownS float64 `json:"known_s"` // for how long it was known
}

// Count is how often something was.
type Count struct {
	Name  string  `json:"name"`
	Count int     `json:"count"`
	ForS  float64 `json:"for_s"` // how long in all; only of alarms
}

// GroundCount is a count on the ground. Losses are in kg/ha; nil was not counted.
type GroundCount struct {
	At          Moment   `json:"at"`
	Field       int      `json:"field"`
	HeaderKgHa  *float64 `json:"header_kg_ha"`
	MachineKgHa *float64 `json:"machine_kg_ha"`
	YieldKgHa   *float64 `json:"yield_kg_ha"`
	Kernels     int      `json:"kernels"`
	Enough      bool     `json:"enough"` // at least a hundred kernels
}

// MaxGround bounds Summary.Ground; the oldest go.
const MaxGround = 50

// Lean is s with the sums and times of its fields, but without what follows from
// them.
func (s *Summary) Lean() *Summary {
	lean := *s
	lean.Fields = make([]Field, len(s.Fields))
	for i, f := range s.Fields {
		t := f.Total
		f.Total = Totals{AreaHa: t.AreaHa, GrainT: t.GrainT, FuelL: t.FuelL, Times: t.Times}
		lean.Fields[i] = f
	}
	return &lean
}

// Shorten takes from the sums of the fields what they rest on, and tells whether there
// was anything to take. The amounts are not changed for others.
func (s *Summary) Shorten() (shorter bool) {
	for i := range s.Fields {
		t := &s.Fields[i].Total
		for _, a := range []**Amount{&t.AreaHa, &t.GrainT, &t.FuelL} {
			if *a != nil && (*a).Basis != "" {
				short := **a
				short.Basis = ""
				*a, shorter = &short, true
			}
		}
	}
	return shorter
}

// MarshalJSON gives a number the digits that it deserves.
func (a Amount) MarshalJSON() ([]byte, error) {
	type plain Amount
	a.Value, a.KnownPct = rounded(a.Value, 4), rounded(a.KnownPct, 1)
	return json.Marshal(plain(a))
}

// MarshalJSON gives a number the digits that it deserves.
func (l Level) MarshalJSON() ([]byte, error) {
	type plain Level
	l.Mean, l.Max = rounded(l.Mean, 2), rounded(l.Max, 2)
	return json.Marshal(plain(l))
}

// rounded is 0 for what is not a number: JSON has none.
func rounded(v float64, digits int) float64 {
	scale := math.Pow10(digits)
	if v = math.Round(v*scale) / scale; math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// RecordID is under which id the records of a shift are stored.
func RecordID(number uint32) string { return fmt.Sprintf("shift-%d", number) }

// The phases of a shift, as its records and messages have them.
const (
	PhaseBegan = "began"
	PhaseEnded = "ended"
)

// Told is a shift as it was stored and published.
type Told struct {
	Phase string  `json:"phase"`
	Shift Summary `json:"shift"`
}

// Parse reads the payload of a record of kind Shift.
func Parse(payload []byte) (Told, error) {
	var t Told
	if err := json.Unmarshal(payload, &t); err != nil {
		return Told{}, fmt.Errorf("shift: %w", err)
	}
	if t.Shift.Number == 0 {
		return Told{}, errors.New("shift: it has no number")
	}
	return t, nil
}
