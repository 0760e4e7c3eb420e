// Package export hands over what the store has kept: tables, JSON lines, maps for
// geographic software, task data for farm software.
//
// A Source reads a store in short transactions, a little at a time, so that a
// writer is never held up and an export of any length takes little memory. Start
// with Formats, or with Source for something of one's own.
//
// Dates are labels. They come from what the store knows of its clocks when the
// export is made (store.Dates); where no clock could be trusted there is no date,
// and the export says so.
package export
