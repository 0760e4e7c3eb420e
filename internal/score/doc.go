// Package score puts alarms against the truth: how many of the troubles were
// found, how many alarms were wrong, how late they came. It counts whole events
// as an operator hears them, never samples, and never averages over kinds.
//
//	truth, err := score.ReadTruth(file)
//	alerts, err := score.ReadEvents(events, start)
//	card := score.Match(truth, alerts, score.Rules())
//	card.Write(os.Stdout)
//
// suite.go runs many make-believe harvests through the whole core and adds up
// their cards; picture.go draws an hour of one.
package score
