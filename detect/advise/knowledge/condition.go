package knowledge

// Conditions of a Move.
const (
	Sudden          = "sudden"           // it rose within half a minute
	LoadHigh        = "load-high"        // engine load over 90 %, or fullness over 95 %
	LoadLow         = "load-low"         // fullness under 75 %
	LossLow         = "loss-low"         // no loss over its target, and both heard or counted
	SeparationLow   = "separation-low"   // separation loss heard or counted, and under its target
	CleaningLow     = "cleaning-low"     // cleaning loss likewise
	CleaningHigh    = "cleaning-high"    // cleaning loss over its target
	BrokenFine      = "broken-fine"      // broken grain heard or checked, and under its target
	UnthreshedSeen  = "unthreshed-seen"  // a check of today saw unthreshed heads
	UnthreshedNone  = "unthreshed-none"  // a check of today saw none
	TankOnly        = "tank-only"        // unthreshed in the tank and none behind the machine
	ReturnsHigh     = "returns-high"     // returns over their target
	ReturnsClean    = "returns-clean"    // a returns sample was mostly clean grain
	ReturnsHeads    = "returns-heads"    // ... mostly unthreshed heads
	ReturnsChaff    = "returns-chaff"    // ... mostly chaff and short straw
	StrawFine       = "straw-fine"       // the operator says that straw is chopped fine
	StrawDamp       = "straw-damp"       // ... that straw is damp or tough
	GrainAtBack     = "grain-at-back"    // ... that whole grain lies at the rear of the sieve
	Lodged          = "lodged"           // ... that the crop is lodged
	Slope           = "slope"            // roll or pitch over 4 degrees
	UnloadingUphill = "unloading-uphill" // unloading on the go on a climb
)

// conditions has each with the words that follow "if" or "unless".
var conditions = []struct{ name, words string }{
	{Sudden, "it came suddenly"},
	{LoadHigh, "the machine is loaded to its limit"},
	{LoadLow, "the machine has room for more crop"},
	{LossLow, "losses are known and under their targets"},
	{SeparationLow, "separation loss is known and under its target"},
	{CleaningLow, "cleaning loss is known and under its target"},
	{CleaningHigh, "cleaning loss is over its target"},
	{BrokenFine, "broken grain is known and under its target"},
	{UnthreshedSeen, "a check found unthreshed heads"},
	{UnthreshedNone, "a check found no unthreshed heads"},
	{TankOnly, "heads are in the tank and none are behind the machine"},
	{ReturnsHigh, "returns are over their target"},
	{ReturnsClean, "the returns are mostly clean grain"},
	{ReturnsHeads, "the returns are mostly unthreshed heads"},
	{ReturnsChaff, "the returns are mostly chaff and short straw"},
	{StrawFine, "straw or cobs come out in small pieces"},
	{StrawDamp, "the straw is damp or tough"},
	{GrainAtBack, "whole grain lies at the rear of the sieve"},
	{Lodged, "the crop is lodged"},
	{Slope, "the machine stands on a slope"},
	{UnloadingUphill, "it unloads on a climb"},
}

// Conditions lists them.
func Conditions() []string {
	names := make([]string, len(conditions))
	for i, c := range conditions {
		names[i] = c.name
	}
	return names
}

// ConditionWords are the words for a condition that follow "if": "it came
// suddenly". They are empty for a name that is none.
func ConditionWords(name string) string {
	for _, c := range conditions {
		if c.name == name {
			return c.words
		}
	}
	return ""
}
