package phone

import (
	"sync"
	"time"
)

// saidOften is how long the same is not said again in the log: strangers decide
// how often it happens.
const saidOften = 10 * time.Second

// mostSaid bounds what is remembered. Most texts come from code, so there are few;
// that of an input which cannot be has words of its sender in it.
const mostSaid = 256

// hush says what may be logged.
type hush struct {
	now  func() time.Time
	mu   sync.Mutex
	last map[string]*said
}

type said struct {
	at       time.Time
	heldBack int
}

// may tells whether a text may be logged now, and how often it was held back.
func (h *hush) may(text string) (heldBack int, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.now()
	one := h.last[text]
	if one == nil {
		if len(h.last) >= mostSaid {
			clear(h.last)
		}
		one = &said{}
		h.last[text] = one
	} else if d := now.Sub(one.at); d >= 0 && d < saidOften {
		one.heldBack++
		return 0, false
	}
	heldBack, one.heldBack, one.at = one.heldBack, 0, now
	return heldBack, true
}
