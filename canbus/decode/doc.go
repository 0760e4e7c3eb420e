// Package decode turns frames and reassembled messages into readings of the
// signals in canbus/signal.
//
// Decoder is the whole of it: it knows the standard messages (standard.go) and
// process data (measured.go), reads the owner's own maps (usermap.go), and
// chooses one source for each signal when several speak (choice.go). Trouble
// codes have a table of their own (faults.go).
//
// A decoder is used by one goroutine. It keeps no clock: all decisions use the
// instants of the frames.
package decode
