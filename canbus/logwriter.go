package canbus

import (
	"fmt"
	"io"
)

// LogWriter writes frames as candump -l does, byte for byte:
//
//	(1700000000.123456) can0 0CF00400#207D87481400F087
//
// Microseconds are cut, not rounded. Interface names of different length are
// aligned to the right, as candump aligns them.
type LogWriter struct {
	w       io.Writer
	names   []string
	width   int
	buffer  []byte
	leftOut int
}

// NewLogWriter writes to w; names are what Frame.Interface counts into.
func NewLogWriter(w io.Writer, names []string) *LogWriter {
	l := &LogWriter{w: w, names: append([]string(nil), names...)}
	for _, name := range names {
		l.width = max(l.width, len(name))
	}
	return l
}

// Write writes the frames with one call of the writer below. CAN FD frames
// cannot be written, because their data are not kept: they are left out and
// counted.
func (l *LogWriter) Write(frames []Frame) error {
	l.buffer = l.buffer[:0]
	for i := range frames {
		f := &frames[i]
		if f.Flags&FD != 0 {
			l.leftOut++
			continue
		}
		if int(f.Interface) >= len(l.names) {
			return fmt.Errorf("canbus: write log: interface %d has no name", f.Interface)
		}
		if f.Stamp < 0 {
			return fmt.Errorf("canbus: write log: stamp %d is before 1970", f.Stamp)
		}
		l.buffer = appendLine(l.buffer, f, l.names[f.Interface], l.width)
	}
	if len(l.buffer) == 0 {
		return nil
	}
	if _, err := l.w.Write(l.buffer); err != nil {
		return fmt.Errorf("canbus: write log: %w", err)
	}
	return nil
}

// LeftOut is how many frames could not be written.
func (l *LogWriter) LeftOut() int { return l.leftOut }

const upperHex = "0123456789ABCDEF"

func appendLine(b []byte, f *Frame, name string, width int) []byte {
	b = append(b, '(')
	b = appendDigits(b, f.Stamp/1e9, 10)
	b = append(b, '.')
	b = appendDigits(b, f.Stamp%1e9/1e3, 6)
	b = append(b, ") "...)
	for n := len(name); n < width; n++ {
		b = append(b, ' ')
	}
	b = append(b, name...)
	b = append(b, ' ')
	switch {
	case f.Flags&ErrorFrame != 0:
		b = appendHex(b, f.ID&idBits|errBit, 8)
	case f.Flags&Extended != 0:
		b = appendHex(b, f.ID&idBits, 8)
	default:
		b = appendHex(b, f.ID&stdBits, 3)
	}
	b = append(b, '#')
	if f.Flags&Remote != 0 {
		b = append(b, 'R')
		code := f.Code
		if code > 0 {
			b = append(b, '0'+min(code, 8))
		}
		if code > 8 {
			b = append(b, '_', upperHex[code&0xF])
		}
		return append(b, '\n')
	}
	for _, v := range f.Data[:min(f.Len, 8)] {
		b = append(b, upperHex[v>>4], upperHex[v&0xF])
	}
	if f.Len == 8 && f.Code > 8 {
		b = append(b, '_', upperHex[f.Code&0xF])
	}
	return append(b, '\n')
}

// appendDigits appends n with leading zeros to a width of at least that many.
func appendDigits(b []byte, n int64, width int) []byte {
	var d [20]byte
	i := len(d)
	for n > 0 || len(d)-i < width {
		i--
		d[i] = '0' + byte(n%10)
		n /= 10
	}
	return append(b, d[i:]...)
}

func appendHex(b []byte, n uint32, width int) []byte {
	for shift := (width - 1) * 4; shift >= 0; shift -= 4 {
		b = append(b, upperHex[n>>shift&0xF])
	}
	return b
}
