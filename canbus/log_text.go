package canbus

import (
	"bytes"
	"io"
)

// longestLine is the room for one line; what is longer is a bad line.
const longestLine = 64 << 10

// lineReader cuts an input into lines within one fixed buffer.
type lineReader struct {
	reader io.Reader
	buffer []byte
	from   int // of the unread part
	to     int
	err    error // met by the reader
	skip   bool  // in the rest of a line that is too long
}

// next is the next line, without its line end. It is valid until the next
// call. If no whole line is in the buffer and may not wait, ok is false.
func (l *lineReader) next(wait bool) (line []byte, long, ok bool) {
	for {
		if i := bytes.IndexByte(l.buffer[l.from:l.to], '\n'); i >= 0 {
			line = l.buffer[l.from : l.from+i]
			l.from += i + 1
			if l.skip {
				l.skip = false
				continue
			}
			return line, false, true
		}
		if l.err != nil {
			line = l.buffer[l.from:l.to]
			l.from = l.to
			return line, false, len(line) > 0 && !l.skip
		}
		if !wait {
			return nil, false, false
		}
		if l.from > 0 {
			l.to = copy(l.buffer, l.buffer[l.from:l.to])
			l.from = 0
		}
		if l.to == len(l.buffer) {
			line, l.to = l.buffer[:80], 0
			if l.skip {
				continue
			}
			l.skip = true
			return line, true, true
		}
		var n int
		n, l.err = l.reader.Read(l.buffer[l.to:])
		l.to += n
	}
}

// textSource reads frames from lines. The first line that is not blank says
// whether it is the asc form.
type textSource struct {
	lines lineReader
	plain plain
	known bool
	asc   *ascParser // nil: the candump forms
}

func (t *textSource) read(dst []Frame, r *record) (int, error) {
	n := 0
	for n < len(dst) {
		line, long, ok := t.lines.next(n == 0)
		if !ok {
			if n == 0 {
				return 0, t.lines.err
			}
			break
		}
		r.line++
		r.stats.Lines++
		if long {
			r.bad(faultTooLong, line)
			continue
		}
		if t.asc == nil && len(line) > 0 && line[0] == '(' {
			if t.plain.read(line, &dst[n], &r.names) {
				n++
			} else if bad := parseCandump(line, &dst[n], &r.names); bad == fine {
				n++
			} else {
				r.bad(bad, line)
			}
			continue
		}
		if t.slow(line, &dst[n], r) {
			n++
		}
	}
	return n, nil
}

// slow is for every line that does not begin with the bracket of a time.
func (t *textSource) slow(line []byte, f *Frame, r *record) bool {
	trimmed := trimLeft(trimRight(line))
	if len(trimmed) == 0 {
		r.stats.Skipped++
		return false
	}
	if !t.known {
		t.known = true
		if looksLikeASC(trimmed) {
			t.asc = newASCParser()
		}
	}
	var bad fault
	switch {
	case t.asc != nil:
		bad = t.asc.parse(trimmed, f, &r.names)
	case trimmed[0] == '(':
		bad = parseCandump(trimmed, f, &r.names)
	case looksLikeScreen(trimmed):
		bad = faultNoTime
	default:
		bad = faultNotAFrame
	}
	switch bad {
	case fine:
		return true
	case faultNotAFrame:
		r.stats.Skipped++
	default:
		r.bad(bad, line)
	}
	return false
}
