// Package latency measures how long an alert takes from the bus to those who look
// on. It has tests only. The daemon runs as it is, with its store on a disk, its
// broker and its page; the bus is made up (bus_test.go), in real time. The table:
//
//	go test ./internal/latency -run Table -v -alerts 200
//
// The clock starts when the frame that makes the detector raise is on the bus. It
// may wait there for others (canbus.Gather). What a detector waits for before
// (detect.Kind.On: half a second for a slowing rotor, 30 s for overload; a fault code
// must be reported twice) is no part of it. It stops when an MQTT subscriber is
// called with the message, when a client of the page's stream has read it, and when
// Chromium has painted it.
package latency
