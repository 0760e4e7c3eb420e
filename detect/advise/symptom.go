package advise

import (
	"chaffinch/canbus/signal"
	"chaffinch/detect/advise/knowledge"
)

// The symptoms, in the order of knowledge.Symptoms: one is taken up before
// another, all else being equal.
const (
	rotorSag = iota
	separationLoss
	cleaningLoss
	cropLoss
	engineLoad
	headerLoss
	returns
	unevenFeed
	brokenGrain
	unthreshed
	trash
	spareCapacity
	symptomCount
)

// symptomInfo is how a symptom is known and judged.
type symptomInfo struct {
	name    string
	alarm   string    // the kind of alarm that tells it, or empty
	level   measure   // by which it is judged
	of      signal.ID // the signal of that level, where it is one
	signal  bool      // of is set: a target can be set for it
	check   string    // that tells it where no sensor does
	higher  bool      // more of its level is better
	pressed bool      // ground speed comes first when it is sudden
	unit    string
}

var symptoms = [symptomCount]symptomInfo{
	rotorSag: {name: knowledge.RotorSag, alarm: "rotor-slowing", level: sagLevel, pressed: true, unit: "%"},
	separationLoss: {name: knowledge.SeparationLoss, alarm: "separation-loss-high", level: separationLevel,
		of: signal.SeparationLoss.ID, signal: true, pressed: true, unit: "of 100"},
	cleaningLoss: {name: knowledge.CleaningLoss, alarm: "cleaning-loss-high", level: cleaningLevel,
		of: signal.CleaningLoss.ID, signal: true, pressed: true, unit: "of 100"},
	cropLoss: {name: knowledge.CropLoss, alarm: "crop-loss-high", level: cropLevel,
		of: signal.CropLoss.ID, signal: true, check: GroundCheck, pressed: true, unit: "of 100"},
	engineLoad: {name: knowledge.EngineLoad, alarm: "engine-overload", level: loadLevel, pressed: true, unit: "%"},
	headerLoss: {name: knowledge.HeaderLoss, level: noMeasure, check: GroundCheck},
	returns: {name: knowledge.Returns, alarm: "returns-high", level: returnsLevel,
		of: signal.Returns.ID, signal: true, pressed: true, unit: "of 100"},
	unevenFeed: {name: knowledge.UnevenFeed, alarm: "feed-uneven", level: unevenLevel, unit: "%"},
	brokenGrain: {name: knowledge.BrokenGrain, alarm: "broken-grain-high", level: brokenLevel,
		of: signal.BrokenGrain.ID, signal: true, check: TankCheck, unit: "of 100"},
	unthreshed: {name: knowledge.Unthreshed, level: noMeasure, check: TankCheck},
	trash: {name: knowledge.Trash, alarm: "trash-high", level: trashLevel,
		of: signal.Trash.ID, signal: true, check: TankCheck, unit: "of 100"},
	spareCapacity: {name: knowledge.SpareCapacity, alarm: "spare-capacity", level: speedLevel, higher: true, unit: "km/h"},
}

// symptomNamed finds a symptom by its name, or -1.
func symptomNamed(name string) int {
	for i := range symptoms {
		if symptoms[i].name == name {
			return i
		}
	}
	return -1
}

// symptom is what is known of one at present.
type symptom struct {
	alarm   bool // raised, and not yet away for long enough in work
	ended   bool // its event has ended
	quietS  int  // seconds of steady work since
	fast    float64
	slow    float64 // mean of about a minute
	lasting float64 // mean of some minutes
	seconds int     // that they rest on
	run     int     // seconds over its target in a row, or under it if negative
	over    bool    // over its target
	sudden  int     // seconds for which a sudden rise still counts

	target   float64
	basis    string // where the target is from; empty: there is none
	kgHa     float64
	setAt    signal.Instant
	setMoist float64 // moisture then, NaN if not known

	said   Grade // by the newest check, for what no sensor tells
	saidAt signal.Instant
	stale  bool // a setting that it answers to has been changed since
	once   bool // one sample only has shown some: another has to bear it out

	loss   float64 // kg/ha by the newest count, with its standard error
	lossSE float64

	heldTo    signal.Instant // "later"
	exhausted bool           // "nothing more" has been told
	toldIn    conditionKey   // of this crop
	toldMoist float64        // at this moisture, NaN if not known
}

const (
	fastShare = 1.0 / 8  // a second
	slowShare = 1.0 / 45 // a second
	// A thick patch of crop is over in a minute or two; what a setting does
	// lasts.
	lastingShare = 1.0 / 200
	lastsFrom    = 150 // s until it can be told from a patch
	overAfter    = 20  // s over the target until it counts
	underAfter   = 20  // s clearly under it until it does not
	// A target is known to a tenth or two at best: a level has to be clearly over
	// it, or clearly not.
	overMargin  = 1.1
	underMargin = 0.95
	farOver     = 1.5 // of the target: nobody needs minutes to see that
	alarmAwayS  = 20  // s of steady work without an alarm until it is gone
	suddenRatio = 1.5
	suddenRise  = 12.0 // points
	suddenFor   = 30   // s
	suddenOver  = 2.0  // of its target, where one is known: less passes by itself
	slowFrom    = 60   // s of work before a rise can be told
)

// restart forgets the level of before a change of settings.
func (t *symptom) restart() { t.seconds, t.run, t.sudden = 0, 0, 0 }

// second takes a second of steady work.
func (t *symptom) second(v float64, heard bool, higher bool) {
	if t.alarm && t.ended {
		if t.quietS++; t.quietS >= alarmAwayS {
			t.alarm = false
		}
	}
	if !heard {
		return
	}
	if t.seconds == 0 {
		t.fast, t.slow, t.lasting = v, v, v
	}
	t.seconds++
	t.fast += max(fastShare, 1/float64(t.seconds)) * (v - t.fast)
	t.slow += max(slowShare, 1/float64(t.seconds)) * (v - t.slow)
	t.lasting += max(lastingShare, 1/float64(t.seconds)) * (v - t.lasting)
	if t.sudden > 0 {
		t.sudden--
	}
	if t.seconds > slowFrom && t.fast > suddenRatio*t.slow && t.fast-t.slow > suddenRise && (t.basis == "" || t.fast > suddenOver*t.target) {
		t.sudden = suddenFor
	}
	if t.basis == "" || higher {
		t.over = false
		return
	}
	switch {
	case t.seconds >= lastsFrom && t.lasting > overMargin*t.target || t.slow > farOver*t.target:
		t.run = max(0, t.run) + 1
	case t.lasting < underMargin*t.target:
		t.run = min(0, t.run) - 1
	}
	switch {
	case t.run >= overAfter:
		t.over = true
	case t.run <= -underAfter:
		t.over = false
	}
}

// active tells whether the symptom is there, by whatever tells it.
func (t *symptom) active(info *symptomInfo) bool {
	if t.over {
		return true
	}
	if t.alarm && (t.basis == "" || t.seconds == 0 || t.sudden > 0) {
		return true // else the target tells, and a patch that raises an alarm passes
	}
	return t.said >= Some && !t.stale && !t.once && (info.level == noMeasure || t.seconds == 0)
}

// fine tells whether it is known not to be there.
func (t *symptom) fine(info *symptomInfo) bool {
	if t.active(info) {
		return false
	}
	return t.seconds >= overAfter || t.said != NotLooked && t.said <= Little && !t.stale
}
