package canbus

import "fmt"

// Stats counts what a LogReader met.
type Stats struct {
	Files int
	Bytes int64 // read from the files, before decompression
	Lines int   // lines of text or packets of a capture
	// Frames is all that were handed out: Extended + Standard + ErrorFrames.
	// Remote and FD frames are among Extended and Standard.
	Frames      int
	Extended    int
	Standard    int
	Remote      int
	FD          int
	ErrorFrames int
	Skipped     int // lines that do not claim to be frames: comments, headers, blank
	Bad         int // lines that should be frames and are not
	Damaged     int // files whose compression or capture format broke off
	// FirstBad are the first bad lines, and what else is wrong with a file.
	FirstBad []BadLine
}

// keptBad is how many bad lines are kept for the report.
const keptBad = 20

// BadLine is a line that should have been a frame.
type BadLine struct {
	File   string
	Line   int // 1 is the first; the packet number in a capture
	Reason string
	Text   string // its first 60 characters
	// Whole: it is not this line alone; nothing of the file can be trusted from here
	// on, or at all.
	Whole bool
}

func (b BadLine) String() string {
	if b.Text == "" {
		return fmt.Sprintf("%s:%d: %s", b.File, b.Line, b.Reason)
	}
	return fmt.Sprintf("%s:%d: %s: %q", b.File, b.Line, b.Reason, b.Text)
}

// record is what the sources of a LogReader share.
type record struct {
	stats Stats
	names nameTable
	file  string
	raw   *rawFile
	line  int // in the present file
	times times
}

// times are the stamps of a file, as far as batches show them.
type times struct {
	frames    int
	low, high int64
}

func (t *times) add(frames []Frame) {
	first, last := frames[0].Stamp, frames[len(frames)-1].Stamp
	if t.frames == 0 {
		t.low, t.high = first, first
	}
	t.frames += len(frames)
	t.low, t.high = min(t.low, first, last), max(t.high, first, last)
}

// differences tells whether the stamps cannot be times: a shortest frame takes 47
// microseconds at 1 Mbit/s, and so many do not fit between the first and the last.
func (t *times) differences(interfaces int) bool {
	const enough, shortest, hour = 500, 40_000, 3600_000_000_000
	return t.frames >= enough && t.high < hour && t.high-t.low < int64(t.frames/max(interfaces, 1))*shortest
}

func (r *record) begin(file string, raw *rawFile) {
	r.file, r.raw, r.line, r.times = file, raw, 0, times{}
	r.stats.Files++
}

func (r *record) finish() {
	r.stats.Bytes += r.raw.bytes
	r.raw = nil
	if r.times.differences(len(r.names.list)) {
		r.keep("the times look like differences from frame to frame, of which nothing can be made: record with candump -L or -t a", nil, true)
	}
}

func (r *record) count(frames []Frame) {
	s := &r.stats
	s.Frames += len(frames)
	r.times.add(frames)
	for i := range frames {
		flags := frames[i].Flags
		switch {
		case flags == Extended:
			s.Extended++
			continue
		case flags&ErrorFrame != 0:
			s.ErrorFrames++
			continue
		case flags&Extended != 0:
			s.Extended++
		default:
			s.Standard++
		}
		if flags&Remote != 0 {
			s.Remote++
		}
		if flags&FD != 0 {
			s.FD++
		}
	}
}

// bad counts a bad line and keeps the first ones.
func (r *record) bad(reason fault, line []byte) {
	r.stats.Bad++
	if len(r.stats.FirstBad) < keptBad {
		r.keep(reason.String(), line, false)
	}
}

func (r *record) damage(cause error) {
	r.stats.Damaged++
	r.keep("the file is damaged from here on: "+cause.Error(), nil, true)
}

// keep is for the report. Of whole files there are few.
func (r *record) keep(reason string, line []byte, whole bool) {
	const longest = 60
	if len(line) > longest {
		line = line[:longest]
	}
	r.stats.FirstBad = append(r.stats.FirstBad,
		BadLine{File: r.file, Line: r.line, Reason: reason, Text: string(line), Whole: whole})
}
