// Package judge compares a combine before and after a change: is a level
// better, worse, or can nobody tell?
//
// Start with compare.go. The readings of a Window are brought to one feed rate
// (match.go), because loss grows faster than feed and a slightly thinner crop
// would pass for a better setting. What is left moves slowly by itself: seconds
// that follow one another are no independent readings (longrun.go), and levels
// drift (drift.go). A test that ignores that says "changed" in 25 to 75 % of
// all cases in which nothing was changed. Two means with their standard errors
// are then compared in the ordinary way (welch.go).
//
// curve.go learns over the day how loss grows with feed.
//
// Everything is deterministic and in event time.
package judge
