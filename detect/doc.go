// Package detect finds trouble in the machine's states and tells of it once.
//
// Rules are pure: no clock, no I/O, no goroutines, no logging. The same states
// in the same order give the same events.
//
// Start with kinds.go, the table of all alarms, and detectors.go, which steps
// one rule a kind in the order of that table. Each rule says at every state
// whether its condition is met, clear, or cannot be judged; alarm.go makes
// steady events of that: delays, margins, at most one raise a minute, and an
// end only on evidence.
//
// # Why the delays are what they are
//
// A level that sits on its threshold with noise that is correlated over 2 s
// crosses it 1,821 times an hour at ten readings a second. A return margin of 2
// standard deviations together with 5 s of delay both ways leaves 0.02; margin
// or delay alone do not do it. A healthy load 3 standard deviations under its
// limit for single seconds crosses it 21 times in 12 h, for 5 s running 0.0095
// times. So every kind has a delay before, a delay after and a margin. A rotor
// has no time for that: 50 kg m2 at 860 rpm lose a tenth of their speed in 0.8 s
// at a deficit of 50 kW. Its half second is paid for by a second look, at load
// and engine.
package detect
