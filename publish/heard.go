package publish

import (
	"chaffinch/canbus/signal"
)

// Heard is a signal as it is heard now.
type Heard struct {
	Name    string   `json:"name"`
	Words   string   `json:"words"`
	Unit    string   `json:"unit"`
	Value   *float64 `json:"value"` // nil where there is none that can be used
	Quality string   `json:"quality"`
	Source  string   `json:"source"`  // the message that it comes from, in words
	Address int      `json:"address"` // of its sender; -1 is not known
	AgeMS   int64    `json:"age_ms"`  // -1 where it was never heard
}

// heard is the newest table of signals.
type heard struct {
	table  signal.Table
	now    signal.Instant
	routes [signal.Count]string
}

func (h *heard) take(m Moment) {
	h.table, h.now = m.State.Signals, m.State.Now
	if m.Route == nil {
		return
	}
	for id := range signal.ID(signal.Count) {
		if r := h.table.Get(id); r.Quality != signal.Missing {
			h.routes[id] = m.Route(r.From.Route)
		}
	}
}

// Heard lists every signal there is, in the order of the list, heard or not.
func (b *Board) Heard() []Heard {
	b.mu.Lock()
	defer b.mu.Unlock()
	h := &b.heard
	all := make([]Heard, 0, signal.Count)
	for id := range signal.ID(signal.Count) {
		r, info := h.table.Get(id), id.Info()
		one := Heard{Name: info.Name, Words: info.Words, Unit: info.Unit, Quality: r.Quality.String(), Address: -1, AgeMS: -1}
		if r.Quality != signal.Missing {
			one.Source, one.Address, one.AgeMS = h.routes[id], int(r.From.Address), h.now.Sub(r.Heard).Milliseconds()
		}
		if v, ok := h.table.Fresh(id, h.now); ok {
			one.Value = &v
		} else if r.Quality == signal.Good {
			one.Quality = "stale"
		}
		all = append(all, one)
	}
	return all
}
