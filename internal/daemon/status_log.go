package daemon

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// CalmLog passes on what is logged, but each text at most twenty times at once
// and then once a minute, with the number that it kept back. The program logs
// changes only; this is for a fault that makes something change all the time, so
// that it cannot push what came before out of a small journal.
func CalmLog(h slog.Handler) slog.Handler {
	return &calm{Handler: h, said: &allSaid{of: map[string]*allowance{}}}
}

const (
	calmBurst = 20
	calmEvery = time.Minute // for one more
	// calmTexts bounds what is remembered; texts come from code, so there are few.
	calmTexts = 512
)

type calm struct {
	slog.Handler
	said *allSaid
}

// allSaid is shared by the handlers that come of one.
type allSaid struct {
	mu sync.Mutex
	of map[string]*allowance
}

// allowance is for something that may be done calmBurst times at once and then once
// every calmEvery.
type allowance struct {
	used     int
	since    time.Time // of the newest one that was added; zero before the first
	keptBack int
}

// take tells whether it may be done now.
func (a *allowance) take(now time.Time) bool {
	switch more := int(now.Sub(a.since) / calmEvery); {
	case a.since.IsZero(), now.Before(a.since): // or the clock was set back
		a.since = now
	case more > 0:
		a.used = max(0, a.used-more)
		a.since = now
	}
	if a.used == calmBurst {
		return false
	}
	a.used++
	return true
}

// Handle passes the record on if its text has not been used up.
func (c *calm) Handle(ctx context.Context, r slog.Record) error {
	keptBack, ok := c.said.pass(r.Level.String()+r.Message, r.Time)
	if !ok {
		return nil
	}
	if keptBack > 0 {
		r = r.Clone()
		r.AddAttrs(slog.Int("kept_back", keptBack))
	}
	return c.Handler.Handle(ctx, r)
}

func (s *allSaid) pass(text string, now time.Time) (keptBack int, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	a := s.of[text]
	if a == nil {
		if len(s.of) >= calmTexts {
			clear(s.of)
		}
		a = &allowance{}
		s.of[text] = a
	}
	if !a.take(now) {
		a.keptBack++
		return 0, false
	}
	keptBack, a.keptBack = a.keptBack, 0
	return keptBack, true
}

// WithAttrs keeps the memory of what was said.
func (c *calm) WithAttrs(a []slog.Attr) slog.Handler {
	return &calm{c.Handler.WithAttrs(a), c.said}
}

// WithGroup keeps the memory of what was said.
func (c *calm) WithGroup(name string) slog.Handler {
	return &calm{c.Handler.WithGroup(name), c.said}
}
