package core

import (
	"bufio"
	"io"
	"strconv"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

// Notes writes what the adviser tells as JSON lines, each as it stands on MQTT.
type Notes struct {
	w     *bufio.Writer
	clock publish.Clock
}

// NewNotes writes to w, with the dates that wall gives.
func NewNotes(w io.Writer, wall func(signal.Instant) (time.Time, bool)) *Notes {
	return &Notes{w: bufio.NewWriter(w), clock: publish.Clock{Boot: 1, Wall: wall}}
}

// Note takes a note.
func (n *Notes) Note(note *advise.Note) {
	n.w.Write(publish.AppendNoteMessage(nil, note.Number, note, n.clock))
	n.w.WriteByte('\n')
}

// Close flushes, and returns the first error of all writes.
func (n *Notes) Close() error { return n.w.Flush() }

// Activities writes a JSON line for each stretch of an activity, when it is
// over, and at the end how much time went into each: these add up to the time
// that was stepped through.
type Activities struct {
	w     *bufio.Writer
	clock publish.Clock

	began  signal.Instant
	steps  int // of the present stretch
	doing  machine.Activity
	basis  string
	ledger machine.Ledger
}

// NewActivities writes to w, with the dates that wall gives.
func NewActivities(w io.Writer, wall func(signal.Instant) (time.Time, bool)) *Activities {
	return &Activities{w: bufio.NewWriter(w), clock: publish.Clock{Boot: 1, Wall: wall}}
}

// State takes each step.
func (a *Activities) State(s *machine.State) {
	// A step that follows a break of the stream begins a stretch of its own.
	broke := a.steps > 0 && s.Now.Sub(a.began) != time.Duration(a.steps)*machine.Period
	if a.steps > 0 && (s.Activity != a.doing || broke) {
		a.write(s.Activity.String())
	}
	if a.steps == 0 {
		a.began, a.doing = s.Now, s.Activity
	}
	a.basis = s.Basis
	a.steps++
	a.ledger = s.Ledger
}

// write ends the present stretch. Its steps stand for the time up to the next
// stretch.
func (a *Activities) write(to string) {
	line := publish.AppendActivity(nil, a.doing.String(), to, a.basis, a.began, time.Duration(a.steps)*machine.Period, a.clock)
	a.w.Write(append(line, '\n'))
	a.steps = 0
}

// Close writes the stretch that is not over, and the sums, and flushes. It
// returns the first error of all writes.
func (a *Activities) Close() error {
	if a.steps > 0 {
		a.write("")
	}
	line := []byte(`{"ledger":{`)
	for d := machine.Unknown; d <= machine.Blocked; d++ {
		line = append(line, '"')
		line = append(line, d.String()...)
		line = append(line, `_s":`...)
		line = strconv.AppendFloat(line, a.ledger.In(d).Seconds(), 'f', 1, 64)
		line = append(line, ',')
	}
	line = append(line, `"unloading_on_the_go_s":`...)
	line = strconv.AppendFloat(line, a.ledger.UnloadingOnTheGo().Seconds(), 'f', 1, 64)
	line = append(line, `,"total_s":`...)
	line = strconv.AppendFloat(line, a.ledger.Total().Seconds(), 'f', 1, 64)
	a.w.Write(append(line, "}}\n"...))
	return a.w.Flush()
}
