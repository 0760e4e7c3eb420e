package mqtt

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// quietFor is how long the same message is not repeated.
const quietFor = 10 * time.Second

// quiet passes on each message at most once in quietFor and then says how
// many it kept back: the broker library writes a line per message that a slow
// client misses, and a stranger can make it write as many as they like. It
// drops the attributes in which the library logs whole packets, for these may
// hold a password.
type quiet struct {
	slog.Handler
	said *said
}

type said struct {
	mu   sync.Mutex
	last map[string]*repeat
}

type repeat struct {
	at       time.Time
	heldBack int
}

// maxSaid bounds the texts remembered; texts come from code, so there are few.
const maxSaid = 256

func newQuiet(h slog.Handler) *quiet {
	return &quiet{Handler: h, said: &said{last: map[string]*repeat{}}}
}

// Enabled leaves out how the library is doing when it is doing well.
func (q *quiet) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && q.Handler.Enabled(ctx, level)
}

// Handle passes the record on if its message was not passed on lately.
func (q *quiet) Handle(ctx context.Context, r slog.Record) error {
	heldBack, ok := q.said.pass(r.Message, r.Time)
	if !ok {
		return nil
	}
	out := slog.NewRecord(r.Time, r.Level, r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		if a.Key != "pk" && a.Key != "packet" {
			out.AddAttrs(a)
		}
		return true
	})
	if heldBack > 0 {
		out.AddAttrs(slog.Int("suppressed", heldBack))
	}
	return q.Handler.Handle(ctx, out)
}

func (s *said) pass(message string, now time.Time) (heldBack int, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.last[message]
	if r == nil {
		if len(s.last) >= maxSaid {
			clear(s.last)
		}
		r = &repeat{}
		s.last[message] = r
	} else if d := now.Sub(r.at); d >= 0 && d < quietFor {
		r.heldBack++
		return 0, false
	}
	heldBack, r.heldBack, r.at = r.heldBack, 0, now
	return heldBack, true
}

// WithAttrs keeps the memory of what was said.
func (q *quiet) WithAttrs(a []slog.Attr) slog.Handler {
	return &quiet{Handler: q.Handler.WithAttrs(a), said: q.said}
}

// WithGroup keeps the memory of what was said.
func (q *quiet) WithGroup(name string) slog.Handler {
	return &quiet{Handler: q.Handler.WithGroup(name), said: q.said}
}
