package publish

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"chaffinch/detect/advise/knowledge"
	"chaffinch/detect/machine"
	"chaffinch/internal/problem"
)

// Setup is what is set anew at the machine. What is left out stays as it is.
// It holds until the configuration file says something else.
type Setup struct {
	Crop           *string            `json:"crop,omitempty"`   // the name of a profile
	Header         *string            `json:"header,omitempty"` // one of machine.HeaderKinds
	Field          *string            `json:"field,omitempty"`  // the name of a field; another one asks for checks again
	Limits         map[string]Limit   `json:"limits,omitzero"`  // by signal; all that there are from now on
	SeatAdjustable []string           `json:"seat_adjustable,omitzero"`
	Targets        map[string]float64 `json:"targets,omitzero"` // % of the sensor, by symptom
}

// Limit is a range in the unit of its signal.
type Limit struct {
	Min *float64 `json:"min,omitempty"`
	Max *float64 `json:"max,omitempty"`
}

// TargetSymptoms are those that a target can be set for: their sensors show a
// level.
func TargetSymptoms() []string {
	return []string{
		knowledge.SeparationLoss, knowledge.CleaningLoss, knowledge.CropLoss,
		knowledge.Returns, knowledge.BrokenGrain, knowledge.Trash,
	}
}

const longestField = 60

func (s *Setup) validate() error {
	if s.Crop == nil && s.Header == nil && s.Field == nil && s.Limits == nil && s.SeatAdjustable == nil && s.Targets == nil {
		return &problem.Problem{What: "the set-up is empty", Try: "give crop, header, field, limits, seat_adjustable or targets"}
	}
	if s.Field != nil && (len(*s.Field) > longestField || strings.ContainsFunc(*s.Field, func(r rune) bool { return r < ' ' })) {
		return &problem.Problem{Key: "field", What: "that is no name of a field", Try: fmt.Sprintf("give %d letters at most", longestField)}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Targets)) {
		if err := oneOf("targets", name, TargetSymptoms(), false); err != nil {
			return err
		}
		if v := s.Targets[name]; !(v > 0 && v <= 100) {
			return &problem.Problem{Key: "targets." + name, What: fmt.Sprintf("the target is %g", v), Try: "give more than 0 and at most 100"}
		}
	}
	m := machine.DefaultSettings()
	s.put(&m)
	if wrong := m.Validate(); len(wrong) > 0 {
		p := *wrong[0]
		p.Key = strings.TrimPrefix(p.Key, "machine.")
		return &p
	}
	return nil
}

// put writes what the set-up says of the machine.
func (s *Setup) put(m *machine.Settings) {
	if s.Header != nil {
		m.Header = *s.Header
	}
	if s.Limits != nil {
		m.Limits = s.MachineLimits()
	}
	if s.SeatAdjustable != nil {
		m.SeatAdjustable = slices.Clone(s.SeatAdjustable)
	}
}

// MachineLimits are the limits as package machine has them.
func (s *Setup) MachineLimits() map[string]machine.Limit {
	limits := make(map[string]machine.Limit, len(s.Limits))
	for name, l := range s.Limits {
		limits[name] = machine.Limit(l)
	}
	return limits
}

// Over lays newer over s: what newer says wins, the rest stays. Targets are
// joined one by one.
func (s Setup) Over(newer Setup) Setup {
	if newer.Crop != nil {
		s.Crop = newer.Crop
	}
	if newer.Header != nil {
		s.Header = newer.Header
	}
	if newer.Field != nil {
		s.Field = newer.Field
	}
	if newer.Limits != nil {
		s.Limits = newer.Limits
	}
	if newer.SeatAdjustable != nil {
		s.SeatAdjustable = newer.SeatAdjustable
	}
	if newer.Targets != nil {
		joined := map[string]float64{}
		for k, v := range s.Targets {
			joined[k] = v
		}
		for k, v := range newer.Targets {
			joined[k] = v
		}
		s.Targets = joined
	}
	return s
}

// SetupNow is what is set at present, and what can be.
type SetupNow struct {
	Crop           string           `json:"crop"`
	Header         string           `json:"header"`
	Field          string           `json:"field"`
	Limits         map[string]Limit `json:"limits"`
	SeatAdjustable []string         `json:"seat_adjustable"`
	Targets        []TargetNow      `json:"targets"`
	Crops          []string         `json:"crops"`   // profiles there are
	Headers        []string         `json:"headers"` // kinds there are
	Levers         []string         `json:"levers"`  // all there are
	// For a ground count, where it tells nothing else; 0 is not known.
	CutWidthM       float64 `json:"cut_width_m"`
	ThousandKernelG float64 `json:"thousand_kernel_g"`
	Units           string  `json:"units"` // metric or us
}

// TargetNow is the level of a sensor that is too high.
type TargetNow struct {
	Symptom   string  `json:"symptom"`
	TargetPct float64 `json:"target_pct"`
	Basis     string  `json:"basis"` // setup, ground-count, tank-sample
	Stale     bool    `json:"stale"` // the weather has changed since
}
