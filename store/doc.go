// Package store keeps what must not be lost: the phases of events, prompts and
// their answers, shifts, history, and the outbox of messages that were not
// sent yet. It is one bbolt file.
//
// How to read the package: Open makes or opens the file (open.go), Append and
// Read put records in and take them out (append.go, read.go), and the Writer
// is the goroutine that the daemon runs in front of it all (writer.go).
// OpenChecked looks at the file in a child process first and mends what can be
// mended (repair.go, check.go, tree.go, salvage.go).
//
// What holds at any moment, whatever happens to the power:
//
//   - A record that Append or the Writer's Committed has acknowledged is there,
//     and so is its outbox entry: both are in one transaction.
//   - A record never changes under its key, and keys are never given twice.
//   - Every value carries a CRC-32C over itself and its key. bbolt has none
//     but on its two meta pages, so a flipped byte is found only by ours.
//
// Keys are the boot number and a sequence that goes on across boots, so that
// no order depends on a clock. Dates are worked out when reading, from the
// wall records of each boot (wall.go).
package store
