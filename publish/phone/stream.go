package phone

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strconv"
	"sync"
	"time"

	"chaffinch/publish"
)

const (
	// mostStreams is how many there are at once, mostStreamsEach how many of one
	// device: one more ends the oldest of these, which is mostly one that the
	// phone lost without knowing.
	mostStreams     = 16
	mostStreamsEach = 3
)

// streams are the open ones.
type streams struct {
	mu  sync.Mutex
	all []*open // oldest first
}

type open struct {
	device string
	over   chan struct{} // closed when a newer one takes its place
}

// open takes a stream in, if there is room.
func (s *streams) open(device string) (*open, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	same, oldest := 0, -1
	for i, o := range s.all {
		if o.device == device {
			same++
			if oldest < 0 {
				oldest = i
			}
		}
	}
	if same >= mostStreamsEach {
		close(s.all[oldest].over)
		s.all = append(s.all[:oldest], s.all[oldest+1:]...)
	}
	if len(s.all) >= mostStreams {
		return nil, false
	}
	o := &open{device: device, over: make(chan struct{})}
	s.all = append(s.all, o)
	return o, true
}

func (s *streams) close(o *open) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.all {
		if s.all[i] == o {
			s.all = append(s.all[:i], s.all[i+1:]...)
			return
		}
	}
}

func (s *streams) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.all)
}

// stream tells all that is true now, and then every change, as server-sent
// events (WHATWG HTML, 9.2). It keeps no queue: what changed twice while a slow
// client took the first is told once, as it is then. A client that takes nothing
// for so long that a write does not end in time is dropped.
func (s *Server) stream(w http.ResponseWriter, r *http.Request, who *device) {
	o, ok := s.streams.open(who.id)
	if !ok {
		w.Header().Set("Retry-After", "5")
		s.refuse(w, r, http.StatusServiceUnavailable, "too many look on already", "close the page on another phone")
		return
	}
	defer s.streams.close(o)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Connection", "close")
	h.Set("X-Accel-Buffering", "no")
	t := teller{w: w, rc: http.NewResponseController(w), each: s.limits.chunk}
	_ = t.rc.SetReadDeadline(time.Time{}) // the one of the request would end it
	w.WriteHeader(http.StatusOK)

	hello, _ := json.Marshal(map[string]any{"boot": strconv.FormatUint(s.opts.Boot, 10), "version": s.opts.Version, "time": s.date()})
	t.event("hello", hello)
	beat := time.NewTicker(s.limits.beat)
	defer beat.Stop()
	for {
		changed := s.opts.Board.Watch()
		t.now(s.opts.Board)
		if t.flush() != nil {
			return
		}
		select {
		case <-changed:
		case <-beat.C:
			t.out = append(t.out, ": beat\n\n"...)
		case <-o.over:
			return
		case <-who.gone:
			return
		case <-s.closing:
			return
		case <-r.Context().Done():
			return
		}
	}
}

// teller writes the events of one stream.
type teller struct {
	w    http.ResponseWriter
	rc   *http.ResponseController
	each time.Duration
	out  []byte // not sent yet
	told [5][]byte
}

// now tells what is not as it was told last.
func (t *teller) now(b *publish.Board) {
	for i, e := range [...]struct {
		name string
		data []byte
		skip bool // while there is none yet
	}{
		{"live", b.Newest(), true},
		{"alerts", publish.JoinPayloads(b.AlertPayloads()), false},
		{"prompt", b.Prompt(), false},
		{"verdict", b.Verdict(), true},
		{"checks", publish.JoinPayloads(b.Checks()), false},
	} {
		if e.data == nil {
			if e.skip {
				continue
			}
			e.data = []byte("null")
		}
		if !bytes.Equal(e.data, t.told[i]) {
			t.told[i] = e.data
			t.event(e.name, e.data)
		}
	}
}

// event appends an event. Our JSON has no line end in it.
func (t *teller) event(name string, data []byte) {
	t.out = append(t.out, "event: "...)
	t.out = append(t.out, name...)
	t.out = append(t.out, "\ndata: "...)
	t.out = append(t.out, data...)
	t.out = append(t.out, "\n\n"...)
}

func (t *teller) flush() error {
	if len(t.out) == 0 {
		return nil
	}
	_ = t.rc.SetWriteDeadline(time.Now().Add(t.each)) // httptest's recorder has none
	_, err := t.w.Write(t.out)
	if err == nil {
		err = t.rc.Flush()
	}
	t.out = t.out[:0]
	return err
}
