// Package knowledge is what is known of setting a combine: for each symptom
// the single adjustments that may help, in the order in which to try them, with
// what each may make worse and where it comes from. It is data
// (configs/advice/*.toml); this package gives it form and finds its mistakes.
//
// Start here with the form; then lookup.go (which moves there are for a crop),
// words.go (a move as the operator reads it), condition.go (when one holds),
// check.go and opposites.go (what cannot be).
package knowledge

// Base is all of it.
type Base struct {
	Lever   []Lever   `toml:"lever"`
	Symptom []Symptom `toml:"symptom"`
	Caution []Caution `toml:"caution"`
	Source  []Source  `toml:"source"`
}

// Lever is one thing about a combine that can be adjusted, or looked after.
type Lever struct {
	Name  string `toml:"name"`  // one of machine.Levers, or a part that is set only with the machine stopped
	Words string `toml:"words"` // as an operator says it, without article: "rotor speed"
	// Signal tells the setting where a bus carries it; empty where none can.
	Signal string `toml:"signal"`
	Unit   string `toml:"unit"`
	// A step is StepPct of the present setting, but at least Step in Unit; where
	// the present setting is not known it is told in StepWords.
	Step      float64 `toml:"step"`
	StepPct   float64 `toml:"step_pct"`
	StepWords string  `toml:"step_words"`
	// A step is rounded to a multiple of Round, in Unit; 0 is not rounded.
	Round float64 `toml:"round"`
	// CropSteps makes the step of single crops larger or smaller, by a factor:
	// canola seed is light, so that air and sieves go by halves.
	CropSteps map[string]float64 `toml:"crop_steps"`
	// Up and Down are imperatives for more and less of it: "Open the upper
	// sieve", "Close the upper sieve". Look is that for a part that is only
	// looked after: "Look at the concave for plugging".
	Up   string `toml:"up"`
	Down string `toml:"down"`
	Look string `toml:"look"`
	// From is "seat", "machine" (from the seat where machine.SeatAdjustable
	// lists it, else stopped) or "stopped".
	From string `toml:"from"`
	// SettleS is the time at steady work before sensors may be judged after a
	// move; JudgeS the shortest time that is judged; SampleS the time before a
	// tank sample tells anything.
	SettleS float64 `toml:"settle_s"`
	JudgeS  float64 `toml:"judge_s"`
	SampleS float64 `toml:"sample_s"`
	Caution string  `toml:"caution"` // the name of a Caution that goes with every move of it by hand
	Source  string  `toml:"source"`
}

// Where a lever is worked from.
const (
	FromSeat    = "seat"
	FromMachine = "machine" // depends on the machine
	FromStopped = "stopped"
)

// Symptom is what is wrong, with what may be done about it.
type Symptom struct {
	Name  string `toml:"name"`
	Words string `toml:"words"` // "separation loss"
	Move  []Move `toml:"move"`  // in the order in which to try them
}

// The symptoms.
const (
	SeparationLoss = "separation-loss"
	CleaningLoss   = "cleaning-loss"
	CropLoss       = "crop-loss" // loss that nobody has divided
	HeaderLoss     = "header-loss"
	Unthreshed     = "unthreshed"
	BrokenGrain    = "broken-grain"
	Trash          = "trash"
	Returns        = "returns"
	UnevenFeed     = "uneven-feed"
	RotorSag       = "rotor-sag"
	EngineLoad     = "engine-load"
	SpareCapacity  = "spare-capacity"
)

// Symptoms lists them in the order in which one is taken up before another,
// all else being equal: what can stop the machine, then what is lost, then what
// is spoilt, then what could be gained.
func Symptoms() []string {
	return []string{
		RotorSag, SeparationLoss, CleaningLoss, CropLoss, EngineLoad, HeaderLoss,
		Returns, UnevenFeed, BrokenGrain, Unthreshed, Trash, SpareCapacity,
	}
}

// Move is one adjustment that may help.
type Move struct {
	Lever     string `toml:"lever"`
	Direction string `toml:"direction"`
	// Crops are those that it is for, all if there are none; NotCrops those that
	// it is not for. Headers likewise, by the kinds of machine.HeaderKinds.
	Crops    []string `toml:"crops"`
	NotCrops []string `toml:"not_crops"`
	Headers  []string `toml:"headers"`
	// When are conditions that all have to hold, by the names below. One that
	// nobody has told of does not hold.
	When []string `toml:"when"`
	// Unless are conditions none of which may hold.
	Unless []string `toml:"unless"`
	// Either says that nothing tells beforehand which way the lever should go:
	// the opposite move follows as an alternative of its own.
	Either bool `toml:"either"`
	// Say is the imperative of this move in place of the lever's own, with no
	// step behind it: "Ease the ground speed at once".
	Say string `toml:"say"`
	// Steps is how much of the lever's usual step to take; 0 is 1.
	Steps float64 `toml:"steps"`
	// Reason says in one clause, small at its beginning and without full stop,
	// why it may help.
	Reason string `toml:"reason"`
	// Risks are the symptoms that it may make worse, the likeliest first;
	// RiskWords tell them to the operator, and what else it costs, as the end of
	// a sentence that begins with "It": "may leave heads unthreshed".
	Risks     []string `toml:"risks"`
	RiskWords string   `toml:"risk_words"`
	Caution   string   `toml:"caution"` // the name of a Caution that goes with this move, also from the seat
	Sources   []string `toml:"sources"`
}

// Directions of a Move. Wait is for what no lever cures: the moment.
const (
	Up   = "up"
	Down = "down"
	Look = "look"
	Wait = "wait"
)

// Caution is what to mind where work can hurt somebody.
type Caution struct {
	Name  string `toml:"name"`
	Words string `toml:"words"`
}

// Source is where a rule comes from.
type Source struct {
	Name  string `toml:"name"`
	Words string `toml:"words"`
}
