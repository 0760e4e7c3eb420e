// Package shift adds up a day's work: hectares, tonnes, litres, hours and what
// became of alarms and advice, of a shift and of each of its fields.
//
// A shift begins by itself when the machine first cuts and ends when it has not
// cut for long. What is counted lies between the first cut and the last cut or
// unloading; the way home is outside. A field is where the machine cuts: when it
// has travelled and cuts again far from all that it cut before, that is another
// field.
//
// The accumulator is pure: the same states in the same order give the same sums.
// Its whole state can be stored and taken up again, so that a shift goes on after
// a restart. Start with Accumulator.Step, then Summary for what comes out.
package shift
