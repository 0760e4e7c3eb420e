package canbus

import (
	"slices"
)

// ahead reads a log on a goroutine of its own, so that decompressing and parsing
// go on while somebody thinks about the frames before.
type ahead struct {
	full, empty chan *chunk
	stop        chan struct{} // closed: nothing more is wanted
	gone        chan error    // how the log was closed
	now         *chunk        // being handed out; nil before the first
	at          int
	err         error // of the last chunk, for good
}

// chunk is what was read at once, and what was known of the log then.
type chunk struct {
	frames [chunkFrames]Frame
	n      int
	err    error
	stats  Stats
	names  []string
}

const (
	chunkFrames = 2048
	chunks      = 4 // of 80 KB
)

// ReadAhead has the log read on another processor from now on. Frames, their order
// and all that is counted stay the same; Stats and Interfaces are as of the frames
// that were handed out, to within a chunk of some thousand. It is to be called
// before the first Read.
func (l *LogReader) ReadAhead() {
	if l.ahead != nil {
		return
	}
	a := &ahead{full: make(chan *chunk, chunks), empty: make(chan *chunk, chunks), stop: make(chan struct{}), gone: make(chan error, 1)}
	for range chunks {
		a.empty <- new(chunk)
	}
	l.ahead = a
	inner := *l // what the goroutine owns; l keeps only ahead
	inner.ahead = nil
	go a.run(&inner)
}

func (a *ahead) run(l *LogReader) {
	defer func() { a.gone <- l.Close() }()
	for {
		var c *chunk
		select {
		case c = <-a.empty:
		case <-a.stop:
			return
		}
		c.n, c.err = l.Read(c.frames[:])
		c.stats = l.Stats()
		if len(c.names) != len(l.record.names.list) {
			c.names = l.Interfaces()
		}
		select {
		case a.full <- c:
		case <-a.stop:
			return
		}
		if c.err != nil {
			return
		}
	}
}

// read hands out what has been read.
func (a *ahead) read(dst []Frame) (int, error) {
	for {
		if a.now != nil && a.at < a.now.n {
			n := copy(dst, a.now.frames[a.at:a.now.n])
			a.at += n
			return n, nil
		}
		if a.err != nil {
			return 0, a.err
		}
		if a.now != nil {
			a.empty <- a.now // there is room for all of them
		}
		a.now, a.at = <-a.full, 0
		a.err = a.now.err
	}
}

func (a *ahead) stats() Stats {
	if a.now == nil {
		return Stats{}
	}
	s := a.now.stats
	s.FirstBad = slices.Clone(s.FirstBad)
	return s
}

func (a *ahead) interfaces() []string {
	if a.now == nil {
		return nil
	}
	return slices.Clone(a.now.names)
}

// close does not wait for a pipe that may never say anything again.
func (a *ahead) close(waits bool) error {
	select {
	case <-a.stop:
		return nil
	default:
		close(a.stop)
	}
	if !waits {
		return nil
	}
	return <-a.gone
}
