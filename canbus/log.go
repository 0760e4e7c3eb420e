package canbus

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

// LogReader reads recorded frames: the log format of can-utils (candump -l,
// candump -L), its screen form if it has a time, the asc form that log2asc and
// asc2log exchange, and pcap and pcapng captures of SocketCAN. Each may be
// plain, gzip or zstd; what a file is shows in its first bytes, not its name.
//
// Several files are read one after another as one log. A line that is not
// understood is counted and never ends the reading.
type LogReader struct {
	inputs []input
	source source
	file   *rawFile
	record record
	closed bool
	pipe   bool   // a part of it may wait for ever
	ahead  *ahead // nil: it is read when asked to; see ReadAhead
}

// source is one opened file in one of the formats.
type source interface {
	// read fills dst with at least one frame, or says io.EOF, or that the
	// input is damaged from here on.
	read(dst []Frame, r *record) (int, error)
}

type input struct {
	path   string
	reader io.Reader // nil: open the path
}

// NewLogReader reads one log from r; name stands in reports.
func NewLogReader(name string, r io.Reader) *LogReader {
	return &LogReader{inputs: []input{{path: name, reader: r}}, pipe: true}
}

// OpenLogs reads the files one after another. The path "-" is standard input.
// It fails at once if a file cannot be opened.
func OpenLogs(paths ...string) (*LogReader, error) {
	l := &LogReader{}
	for _, path := range paths {
		if path == "-" {
			l.inputs = append(l.inputs, input{path: "standard input", reader: os.Stdin})
			l.pipe = true
			continue
		}
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("canbus: open log: %w", err)
		}
		info, err := f.Stat()
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("canbus: open log: %w", err)
		}
		if info.IsDir() {
			return nil, fmt.Errorf("canbus: open log: %s is a directory", path)
		}
		l.inputs = append(l.inputs, input{path: path})
	}
	return l, nil
}

// Read fills dst from the front and says how many frames it wrote: at least
// one, unless there is an error. It is io.EOF after the last frame of the last
// file. It does not wait to fill dst while a pipe has no more to give.
func (l *LogReader) Read(dst []Frame) (int, error) {
	if len(dst) == 0 {
		return 0, nil
	}
	for {
		if l.closed {
			return 0, os.ErrClosed
		}
		if l.ahead != nil {
			return l.ahead.read(dst)
		}
		if l.source == nil {
			if len(l.inputs) == 0 {
				return 0, io.EOF
			}
			if err := l.openNext(); err != nil {
				return 0, err
			}
			continue // an empty file is at its end already
		}
		n, err := l.source.read(dst, &l.record)
		if n > 0 {
			l.record.count(dst[:n])
			return n, nil
		}
		if err == nil {
			continue
		}
		if err := l.end(err); err != nil {
			return 0, err
		}
	}
}

func (l *LogReader) openNext() error {
	next := l.inputs[0]
	l.inputs = l.inputs[1:]
	file, err := openRaw(next)
	if err != nil {
		return fmt.Errorf("canbus: open log: %w", err)
	}
	l.file = file
	l.record.begin(next.path, file)
	source, err := sourceOf(file)
	if err != nil {
		return l.end(err)
	}
	l.source = source
	return nil
}

// end closes the present file. The end of a file and damage inside it are not
// errors of the whole; that the file cannot be read any more is.
func (l *LogReader) end(cause error) error {
	readErr := l.file.err
	l.record.finish()
	closeErr := l.file.close()
	l.source, l.file = nil, nil
	switch {
	case readErr != nil:
		return fmt.Errorf("canbus: read %s: %w", l.record.file, readErr)
	case !errors.Is(cause, io.EOF):
		l.record.damage(cause)
	}
	if closeErr != nil {
		return fmt.Errorf("canbus: close %s: %w", l.record.file, closeErr)
	}
	return nil
}

// Interfaces are the names met so far; Frame.Interface counts into them.
func (l *LogReader) Interfaces() []string {
	if l.ahead != nil {
		return l.ahead.interfaces()
	}
	return slices.Clone(l.record.names.list)
}

// Stats is what has been read so far.
func (l *LogReader) Stats() Stats {
	if l.ahead != nil {
		return l.ahead.stats()
	}
	s := l.record.stats
	s.FirstBad = slices.Clone(s.FirstBad)
	if l.file != nil {
		s.Bytes += l.file.bytes
	}
	return s
}

// Close gives up the present file.
func (l *LogReader) Close() error {
	l.closed = true
	if l.ahead != nil {
		return l.ahead.close(!l.pipe)
	}
	if l.file == nil {
		return nil
	}
	err := l.file.close()
	l.source, l.file = nil, nil
	return err
}
