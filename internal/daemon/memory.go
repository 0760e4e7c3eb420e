package daemon

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/publish"
	"chaffinch/store"
)

// Names of what is remembered.
const (
	adviserMemory = "adviser"
	setupMemory   = "setup"
)

// saveEvery is how often the adviser's memory is kept when it tells nothing.
const saveEvery = 10 * time.Minute

// memoryKept is the adviser's memory as it is stored.
type memoryKept struct {
	Saved  *time.Time    `json:"saved"` // nil: by a clock that could not be trusted
	Memory advise.Memory `json:"memory"`
}

// setupKept is what was set up. It holds as long as the configuration says what
// it said then.
type setupKept struct {
	Basis string        `json:"basis"`
	Setup publish.Setup `json:"setup"`
}

// basisOf is what the configuration says of what can be set up.
func basisOf(cfg *config.Config) string {
	text, err := json.Marshal(struct{ Crop, Machine, Alarm any }{cfg.Crop, cfg.Machine, cfg.Alarm})
	if err != nil {
		return ""
	}
	return string(text)
}

func (d *Daemon) memory(at signal.Instant) (store.Record, bool) {
	kept := memoryKept{Memory: d.core.Memory()}
	if t, ok := d.wall(at); ok {
		kept.Saved = &t
	}
	d.saved = time.Now()
	return d.pack(adviserMemory, at, kept)
}

func (d *Daemon) pack(id string, at signal.Instant, what any) (store.Record, bool) {
	text, err := json.Marshal(what)
	if err == nil && len(text) > store.MaxPool {
		err = fmt.Errorf("%d bytes are too many", len(text))
	}
	if err != nil {
		d.log.Error("not remembered", "what", id, "error", err)
		return store.Record{}, false
	}
	return store.Record{Kind: store.Memory, ID: id, Phase: detect.Ended, At: at, Payload: text}, true
}

// saveMemory keeps what the adviser has learned without telling it.
func (d *Daemon) saveMemory() {
	d.saved = time.Now()
	if !d.core.Started() {
		return
	}
	if m, ok := d.memory(d.core.Now()); ok {
		if err := d.put([]store.Record{m}); err != nil {
			d.log.Error("not remembered", "error", err)
		}
	}
}

// remember takes up what the adviser knew and what was set up in earlier runs.
func (d *Daemon) remember(left *leftBehind) {
	if left.err != nil {
		d.log.Error("cannot read what is remembered", "error", left.err)
		return
	}
	known := left.memories
	var kept memoryKept
	var setup setupKept
	for _, r := range known {
		var into any
		switch r.ID {
		case adviserMemory:
			into = &kept
		case setupMemory:
			into = &setup
		default:
			continue
		}
		if err := json.Unmarshal(r.Payload, into); err != nil {
			d.log.Error("what was remembered cannot be read", "what", r.ID, "error", err)
			return
		}
	}
	if setup.Basis != d.basis {
		setup = setupKept{}
	}
	away := time.Duration(-1)
	if now, trusted := d.o.Source.Wall(d.o.Source.Stamp()); trusted && kept.Saved != nil && !now.Before(*kept.Saved) {
		away = now.Sub(*kept.Saved)
	}
	if len(known) > 0 && !d.core.Remember(kept.Memory, setup.Setup, away) {
		d.log.Warn("the store came too late: what was tried before is not taken up")
	}
}

const (
	// dayLines and dayHours bound what of earlier runs is shown as the day.
	dayLines = 200
	dayHours = 18 * time.Hour
)

// recallDay shows what was told before the program was started again.
func (d *Daemon) recallDay(s *store.Store) {
	var all []store.Record
	for _, k := range []store.Kind{store.Event, store.Prompt, store.Judged, store.Check, store.Note} {
		newest, err := s.Newest(k, dayLines)
		if err != nil {
			d.log.Error("cannot read the day", "error", err)
			return
		}
		all = append(all, newest...)
	}
	all = slices.DeleteFunc(all, func(r store.Record) bool { return r.Key.Boot == s.Boot() })
	slices.SortFunc(all, func(a, b store.Record) int {
		if a.Key.Less(b.Key) {
			return -1
		}
		return 1
	})
	payloads := make([][]byte, len(all))
	for i := range all {
		payloads[i] = all[i].Payload
	}
	var since time.Time
	if now, trusted := d.o.Source.Wall(d.o.Source.Stamp()); trusted {
		since = now.Add(-dayHours)
	}
	d.board.Recall(payloads, since)
}
