package phone

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Download is something that can be fetched: a report, a table.
type Download struct {
	Name  string // of the file, without folders
	Words string // what it is
	Group string // what it belongs to with others; may be empty
	Type  string // its media type
	// Tag names its bytes: while it is the same, so are they. Empty if they may
	// change; then it cannot be fetched in parts.
	Tag    string
	Zipped bool // it is compressed as it is
	// Write writes it; it ends when ctx does.
	Write func(ctx context.Context, w io.Writer) error
}

// mostDownloads is how many run at a time: the computer has the machine to watch.
const mostDownloads = 2

func (s *Server) offered() []Download {
	if s.opts.Downloads == nil {
		return nil
	}
	return s.opts.Downloads()
}

func (s *Server) downloads(w http.ResponseWriter, _ *http.Request, _ *device) {
	type line struct {
		Name  string `json:"name"`
		Words string `json:"words"`
		Href  string `json:"href"`
		Group string `json:"group,omitempty"`
	}
	all := []line{}
	for _, d := range s.offered() {
		all = append(all, line{d.Name, d.Words, api + "downloads/" + d.Name, d.Group})
	}
	writeJSON(w, http.StatusOK, all)
}

func (s *Server) download(w http.ResponseWriter, r *http.Request, _ *device) {
	for _, d := range s.offered() {
		if d.Name != r.PathValue("name") {
			continue
		}
		select {
		case s.downloading <- struct{}{}:
			defer func() { <-s.downloading }()
			s.send(w, r, &d)
		default:
			setRetry(w, 5*time.Second)
			s.refuse(w, r, http.StatusServiceUnavailable, "others are fetching now", "try again in a moment")
		}
		return
	}
	s.refuse(w, r, http.StatusNotFound, "there is no such download", "see the list of downloads")
}

// A download is written as it is sent and is nowhere as a whole. To send a range
// of one that cannot change it is written again, and what lies before the range
// left out: compressed or not, the same program writes the same bytes.

// send sends a download, or a range of it.
func (s *Server) send(w http.ResponseWriter, r *http.Request, d *Download) {
	form := form{d, !d.Zipped && accepts(r, "gzip")}
	h := w.Header()
	h.Set("Accept-Ranges", "none")
	span := span{to: -1}
	status := http.StatusOK
	if tag := form.tag(); tag != "" {
		h.Set("Accept-Ranges", "bytes")
		h.Set("ETag", tag)
		if wanted := r.Header.Get("Range"); wanted != "" && (r.Header.Get("If-Range") == "" || r.Header.Get("If-Range") == tag) {
			length, err := s.length(r.Context(), form)
			if err != nil {
				s.brokeOff(d, err)
			}
			asked, ok, known := parseRange(wanted, length)
			switch {
			case known && !ok:
				h.Set("Content-Range", fmt.Sprintf("bytes */%d", length))
				h.Del("ETag")
				s.refuse(w, r, http.StatusRequestedRangeNotSatisfiable, "there is no such range", fmt.Sprintf("it is %d bytes long", length))
				return
			case known:
				span, status = asked, http.StatusPartialContent
				h.Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", span.from, span.to-1, length))
				h.Set("Content-Length", strconv.FormatInt(span.to-span.from, 10))
			}
		}
	}
	h.Set("Content-Type", d.Type)
	h.Set("Content-Disposition", `attachment; filename="`+d.Name+`"`)
	h.Set("Vary", "Accept-Encoding")
	if form.zipped {
		h.Set("Content-Encoding", "gzip")
	}
	w.WriteHeader(status)
	out := &cut{w: &patient{w: w, rc: http.NewResponseController(w), each: s.limits.chunk}, span: span}
	err := form.write(r.Context(), out)
	switch {
	case errors.Is(err, errEnough):
	case err != nil:
		s.brokeOff(d, err)
	case status == http.StatusOK:
		s.lengths.keep(form.tag(), out.at)
	}
}

// brokeOff ends the connection, so that nobody takes a part for the whole.
func (s *Server) brokeOff(d *Download, err error) {
	s.log.Warn("a download broke off", "name", d.Name, "error", err)
	panic(http.ErrAbortHandler)
}

// length is how long a form is: remembered, or found by writing it to nowhere.
func (s *Server) length(ctx context.Context, f form) (int64, error) {
	if n, ok := s.lengths.get(f.tag()); ok {
		return n, nil
	}
	all := &cut{w: io.Discard, span: span{to: -1}}
	if err := f.write(ctx, all); err != nil {
		return 0, err
	}
	s.lengths.keep(f.tag(), all.at)
	return all.at, nil
}

// form is a download as it is or compressed.
type form struct {
	*Download
	zipped bool
}

// tag is the entity tag of the form, or empty. The two have different bytes.
func (f form) tag() string {
	switch {
	case f.Tag == "":
		return ""
	case f.zipped:
		return `"` + f.Tag + `-gzip"`
	}
	return `"` + f.Tag + `"`
}

func (f form) write(ctx context.Context, w io.Writer) error {
	if !f.zipped {
		return f.Write(ctx, w)
	}
	z := gzip.NewWriter(w)
	if err := f.Write(ctx, z); err != nil {
		return err
	}
	return z.Close()
}

// accepts tells whether a client takes an encoding (RFC 9110, 12.5.3).
func accepts(r *http.Request, encoding string) bool {
	for one := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(one), ";")
		if strings.EqualFold(strings.TrimSpace(name), encoding) {
			q, found := strings.CutPrefix(strings.ReplaceAll(weight, " ", ""), "q=")
			v, err := strconv.ParseFloat(q, 64)
			return !found || err == nil && v > 0
		}
	}
	return false
}

// span is bytes from and before two places; to is negative for the end.
type span struct{ from, to int64 }

// parseRange reads a Range of a single span of bytes (RFC 9110, 14.1). What is
// something else is not known and not heeded; ok is whether there is such a span.
func parseRange(text string, length int64) (s span, ok, known bool) {
	text, isBytes := strings.CutPrefix(text, "bytes=")
	first, last, dash := strings.Cut(strings.TrimSpace(text), "-")
	if !isBytes || !dash || strings.Contains(text, ",") {
		return span{}, false, false
	}
	number := func(digits string) (int64, bool) {
		n, err := strconv.ParseUint(digits, 10, 63)
		return int64(n), err == nil
	}
	if first == "" { // so many at the end
		n, good := number(last)
		return span{max(0, length-n), length}, n > 0 && length > 0, good
	}
	from, good := number(first)
	to := length
	if last != "" {
		end, good2 := number(last)
		if !good2 || end < from {
			return span{}, false, false
		}
		to = min(length-1, end) + 1
	}
	return span{from, to}, from < length, good
}

// errEnough says that the rest is not wanted.
var errEnough = errors.New("phone: the range is sent")

// cut lets a span through.
type cut struct {
	w    io.Writer
	span span
	at   int64
}

func (c *cut) Write(b []byte) (int, error) {
	n := len(b)
	from := min(max(0, c.span.from-c.at), int64(n))
	to := int64(n)
	if c.span.to >= 0 {
		to = min(max(from, c.span.to-c.at), int64(n))
	}
	c.at += int64(n)
	if from < to {
		if _, err := c.w.Write(b[from:to]); err != nil {
			return 0, err
		}
	}
	if c.span.to >= 0 && c.at >= c.span.to {
		return n, errEnough
	}
	return n, nil
}

// lengths remembers how long downloads are, by tag.
type lengths struct {
	mu  sync.Mutex
	all map[string]int64
}

// mostLengths bounds it.
const mostLengths = 256

func (l *lengths) get(tag string) (int64, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	n, ok := l.all[tag]
	return n, ok
}

func (l *lengths) keep(tag string, n int64) {
	if tag == "" {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all == nil || len(l.all) >= mostLengths {
		l.all = map[string]int64{}
	}
	l.all[tag] = n
}

// patient gives each write its own deadline, so that a long answer may take
// long, but not a slow reader.
type patient struct {
	w    io.Writer
	rc   *http.ResponseController
	each time.Duration
}

func (p *patient) Write(b []byte) (int, error) {
	_ = p.rc.SetWriteDeadline(time.Now().Add(p.each)) // httptest's recorder has none
	return p.w.Write(b)
}
