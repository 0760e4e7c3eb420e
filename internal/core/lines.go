package core

import (
	"bufio"
	"io"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/publish"
)

// Lines writes each event once, as a JSON line, in the order in which events
// were raised: an event is written when it has ended and all before it have
// been written. Call Close at the end; it writes what is still active.
type Lines struct {
	w     *bufio.Writer
	clock publish.Clock
	open  []line // in the order raised
}

type line struct {
	number uint64
	text   []byte
	ended  bool
}

// NewLines writes to w, with the dates that wall gives to stamps of the core.
func NewLines(w io.Writer, wall func(signal.Instant) (time.Time, bool)) *Lines {
	return &Lines{w: bufio.NewWriter(w), clock: publish.Clock{Boot: 1, Wall: wall}}
}

// Event takes a phase of an event. The dates are those of this moment, since
// the stream's clock may step before the line is written.
func (l *Lines) Event(e *detect.Event) {
	text := publish.AppendEvent(nil, e, l.clock)
	ended := e.Phase == detect.Ended
	known := false
	for i := range l.open {
		if l.open[i].number == e.Number {
			l.open[i].text, l.open[i].ended, known = text, ended, true
			break
		}
	}
	if !known {
		l.open = append(l.open, line{e.Number, text, ended})
	}
	n := 0
	for n < len(l.open) && l.open[n].ended {
		l.write(l.open[n].text)
		n++
	}
	l.open = append(l.open[:0], l.open[n:]...)
}

// Close writes what is still active and flushes. It returns the first error
// of all writes.
func (l *Lines) Close() error {
	for i := range l.open {
		l.write(l.open[i].text)
	}
	l.open = nil
	return l.w.Flush()
}

// write leaves the error to the buffer, which keeps the first one.
func (l *Lines) write(text []byte) {
	l.w.Write(text)
	l.w.WriteByte('\n')
}
