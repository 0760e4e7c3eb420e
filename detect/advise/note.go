package advise

import (
	"strings"

	"chaffinch/canbus/signal"
)

// Note is one thing that the adviser has to tell. It is a value that owns all
// it points to; the one part that its kind names is set.
type Note struct {
	Number uint64 // counts the notes of this run, from 1
	At     signal.Instant
	Kind   NoteKind

	Prompt  *Prompt      // PromptOpened, PromptClosed
	Verdict *Verdict     // VerdictGiven
	Setting *Change      // SettingChanged
	Check   *CheckWanted // CheckAsked, CheckWithdrawn
	Taken   *CheckTaken  // CheckTold
	Targets []Target     // TargetsSet: all targets there are, in the order of symptoms
	Remark  *Remark      // NothingMore, WorkedBefore
}

// NoteKind says what a note tells.
type NoteKind uint8

const (
	PromptOpened   NoteKind = iota // the one open prompt, on MQTT "prompt" until it closes
	PromptClosed                   // with Prompt.Closed
	VerdictGiven                   // a change has been judged
	SettingChanged                 // for the journal
	CheckAsked                     // a check is wanted, on MQTT "check"
	CheckWithdrawn                 // it is not wanted any more
	CheckTold                      // the operator has made a check
	TargetsSet                     // a calibration has set or moved targets
	NothingMore                    // nothing more to gain by setting
	WorkedBefore                   // what settings worked last time
)

var noteNames = [...]string{
	"prompt-opened", "prompt-closed", "verdict", "setting", "check-asked", "check-withdrawn",
	"check-told", "targets", "nothing-more", "worked-before",
}

// String is the word that the store and MQTT use.
func (k NoteKind) String() string {
	if int(k) < len(noteNames) {
		return noteNames[k]
	}
	return "invalid"
}

// Prompt asks the operator for one adjustment, or to put one back.
type Prompt struct {
	ID        uint64   `json:"id"`      // counts the prompts of this run, from 1
	Symptom   string   `json:"symptom"` // one of knowledge.Symptoms
	Lever     string   `json:"lever"`
	Direction string   `json:"direction"` // one of knowledge.Up, Down, Look, Wait
	Back      bool     `json:"back"`      // it puts an earlier change back
	Stopped   bool     `json:"stopped"`   // only with the machine stopped
	From      *float64 `json:"from"`      // the present setting, nil where it is not known
	To        *float64 `json:"to"`        // the setting asked for, nil where it is not known
	By        *float64 `json:"by"`        // how far, where nothing tells from where to where but the lever has a scale
	Unit      string   `json:"unit"`
	Head      string   `json:"head"`    // at most twelve words
	Reason    string   `json:"reason"`  // one sentence, with numbers
	Risk      string   `json:"risk"`    // what it may cost; may be empty
	Caution   string   `json:"caution"` // what to mind; may be empty
	Limit     string   `json:"limit"`   // what a limit of the owner's costs; may be empty
	Answers   []string `json:"answers"` // what he may answer
	// Check is the check that will judge the change, where no sensor does: he is
	// to look at the next stop after some minutes of work.
	Check  string `json:"check,omitempty"`
	Closed string `json:"closed,omitempty"`

	Opened  signal.Instant `json:"-"`
	Expires signal.Instant `json:"-"` // unless answered before
}

// How a prompt ends (Prompt.Closed).
const (
	ClosedDone        = "done"
	ClosedLater       = "later"
	ClosedNotPossible = "not-possible"
	ClosedExpired     = "expired" // nobody answered
	ClosedGone        = "gone"    // what was wrong is not any more
	ClosedMoved       = "moved"   // the machine came to do something else
	ClosedOther       = "other"   // another setting was changed
	ClosedSetup       = "setup"   // crop or machine were set anew
)

// ClosedWords say how a prompt closed, one of the constants above.
func ClosedWords(how string) string {
	switch how {
	case ClosedExpired:
		return "nobody answered"
	case ClosedGone:
		return "what was wrong passed by itself"
	case ClosedMoved:
		return "the machine came to do something else"
	case ClosedOther:
		return "another setting was changed"
	case ClosedSetup:
		return "crop or machine were set anew"
	}
	return strings.ReplaceAll(how, "-", " ")
}

// Verdict tells whether a change helped.
type Verdict struct {
	Prompt    uint64   `json:"prompt"` // 0: the operator's own change
	Symptom   string   `json:"symptom"`
	Lever     string   `json:"lever"`
	Direction string   `json:"direction"`
	From      *float64 `json:"from"`
	To        *float64 `json:"to"`
	Unit      string   `json:"unit"`
	Outcome   string   `json:"outcome"` // better, worse, no clear change, could not judge
	By        string   `json:"by"`      // sensor, sample, count
	// Of the symptom, in its own unit; nil where it was not measured.
	Before *float64 `json:"before"`
	After  *float64 `json:"after"`
	// The change in percent of before, with its 95 % interval.
	ChangePct *float64 `json:"change_pct"`
	LowPct    *float64 `json:"low_pct"`
	HighPct   *float64 `json:"high_pct"`
	Side      string   `json:"side"`     // the symptom that came out worse, or empty
	PutBack   bool     `json:"put_back"` // what to do next
	Text      string   `json:"text"`     // one sentence
	SettledS  float64  `json:"settled_s"`
	JudgedS   float64  `json:"judged_s"`

	Changed signal.Instant `json:"-"`
	Judged  signal.Instant `json:"-"`
}

// Change is a setting that was changed, for the day's journal.
type Change struct {
	Lever  string   `json:"lever"`
	From   *float64 `json:"from"`
	To     *float64 `json:"to"`
	Unit   string   `json:"unit"`
	Why    string   `json:"why"`    // prompt, back, own
	Prompt uint64   `json:"prompt"` // that asked for it, or 0
	Seen   bool     `json:"seen"`   // on the bus; else the operator said so

	At signal.Instant `json:"-"`
}

// Why a setting was changed.
const (
	ByPrompt = "prompt"
	ByBack   = "back"
	ByOwn    = "own"
)

// CheckWanted asks for a check at a standstill.
type CheckWanted struct {
	ID     uint64 `json:"id"`
	Check  string `json:"check"`  // tank, returns, ground
	Why    string `json:"why"`    // new-crop, new-field, weather, twice-a-day, change, choice
	Text   string `json:"text"`   // at most twelve words
	Prompt uint64 `json:"prompt"` // the change that it judges, or 0

	Asked signal.Instant `json:"-"`
}

// The checks.
const (
	TankCheck    = "tank"
	ReturnsCheck = "returns"
	GroundCheck  = "ground"
	Observations = "observation"
)

// CheckTaken is a check that the operator made.
type CheckTaken struct {
	ID    uint64 `json:"id"` // of the CheckWanted that it answers, or 0
	Check Check  `json:"check"`
	Text  string `json:"text"`

	At signal.Instant `json:"-"`
}

// Target is the level of a symptom's sensor that is too high.
type Target struct {
	Symptom   string  `json:"symptom"`
	Signal    string  `json:"signal"`
	Alarm     string  `json:"alarm"` // the kind of alarm that should use it
	TargetPct float64 `json:"target_pct"`
	Basis     string  `json:"basis"` // ground-count, tank-sample
	// KgHaPerPoint is the loss that one point of the level stands for; 0 where
	// the target is not from a count.
	KgHaPerPoint float64 `json:"kg_ha_per_point"`
	AgeS         float64 `json:"age_s"`
	Stale        bool    `json:"stale"` // the weather or the field has changed since
}

// Remark is something to know; nothing is asked.
type Remark struct {
	Symptom string `json:"symptom"`
	Text    string `json:"text"`
}
