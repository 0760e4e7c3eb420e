package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/find"
	"chaffinch/canbus/signal"
	"chaffinch/publish"
	"chaffinch/publish/phone"
)

const (
	// finderQueue is how many batches may wait while a search goes on.
	finderQueue = 512
	// lastFrames is how long after a reading its last frames may still come.
	lastFrames = 1300 * time.Millisecond
	// finderIdle is how long it listens without being asked.
	finderIdle = 30 * time.Minute
	// mostReadings of one signal make a search no better.
	mostReadings = 40
)

// finder looks for signals by what the machine's display says, while somebody
// has the set-up open. It works behind the reader, in a goroutine of its own:
// frames that it has no time for are left out of the search. It searches for
// one signal at a time.
type finder struct {
	stamp func() int64 // now, on the clock of the frames
	log   *slog.Logger

	listening atomic.Bool
	asked     atomic.Int64 // when last, by the clock that never jumps
	batches   chan []canbus.Frame
	readings  chan reading
	missed    atomic.Int64 // frames left out

	mu  sync.Mutex
	all []phone.Found // in the order first read
}

type reading struct {
	id   signal.ID
	said find.Reading
}

func newFinder(stamp func() int64, log *slog.Logger) *finder {
	return &finder{stamp: stamp, log: log, batches: make(chan []canbus.Frame, finderQueue), readings: make(chan reading, mostReadings)}
}

// listen makes it take frames from now on.
func (f *finder) listen() {
	f.asked.Store(Clock{}.Mono())
	f.listening.Store(true)
}

// feed takes frames as they come. It never waits; f may be nil.
func (f *finder) feed(frames []canbus.Frame) {
	if f == nil || !f.listening.Load() || len(frames) == 0 {
		return
	}
	select {
	case f.batches <- slices.Clone(frames):
	default:
		f.missed.Add(int64(len(frames)))
	}
}

// says takes a reading of this moment.
func (f *finder) says(_ context.Context, id signal.ID, value float64) error {
	f.listen()
	select {
	case f.readings <- reading{id, find.Reading{Stamp: f.stamp(), Value: value}}:
		return nil
	default:
		return publish.ErrBusy
	}
}

// found is what the readings tell so far. Whoever asks is about to read: it
// listens from then on, because a reading needs the frames before it.
func (f *finder) found(context.Context) []phone.Found {
	f.listen()
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.all)
}

// tell notes what is known of a signal.
func (f *finder) tell(one phone.Found) {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.IndexFunc(f.all, func(o phone.Found) bool { return o.Signal == one.Signal })
	if i >= 0 {
		f.all[i] = one
		return
	}
	f.all = append(f.all, one)
}

// search is the one that goes on.
type search struct {
	id        signal.ID
	collector *find.Collector
	readings  int
	due       int64 // stamp; 0: nothing new to search for
}

// run works until ctx ends.
func (f *finder) run(ctx context.Context) error {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	s := search{collector: find.NewCollector()}
	for {
		select {
		case <-ctx.Done():
			return nil
		case frames := <-f.batches:
			for i := range frames {
				s.collector.Feed(&frames[i])
			}
		case r := <-f.readings:
			f.take(&s, r)
		case <-tick.C:
			if s.due != 0 && f.stamp() > s.due {
				f.look(&s)
			}
			if f.listening.Load() && time.Duration(Clock{}.Mono()-f.asked.Load()) > finderIdle {
				f.listening.Store(false)
				s = search{collector: find.NewCollector()}
			}
		}
	}
}

// take adds a reading. One of another signal than the last begins a new search.
func (f *finder) take(s *search, r reading) {
	if s.readings > 0 && r.id != s.id || s.readings >= mostReadings {
		*s = search{collector: find.NewCollector()}
	}
	s.id = r.id
	s.collector.Read(r.said)
	s.readings++
	s.due = r.said.Stamp + int64(lastFrames)
	one := phone.Found{Signal: s.id.String(), Readings: s.readings, Text: "Searching."}
	if s.readings < find.FewestReadings {
		s.due = 0
		one.Text = fmt.Sprintf("%d of at least %d readings. Take them at different values.", s.readings, find.FewestReadings)
	}
	f.tell(one)
}

// look searches with the readings there are.
func (f *finder) look(s *search) {
	s.due = 0
	one := phone.Found{Signal: s.id.String(), Readings: s.readings}
	r, err := s.collector.Find(find.Query{Signal: s.id, Best: 3})
	if err != nil {
		f.log.Info("signal not searched for", "signal", one.Signal, "error", err)
		one.Text = "More readings are needed, at different values, with the machine running."
		f.tell(one)
		return
	}
	one.Text = inWords(r)
	if r.Verdict != find.Nothing {
		for i := range r.Best {
			one.Candidates = append(one.Candidates, phone.Candidate{Text: field(&r.Best[i], r.Unit), Map: r.Best[i].MapText})
		}
	}
	f.tell(one)
}

// inWords is a result in a sentence or two.
func inWords(r *find.Result) string {
	text := map[find.Verdict]string{
		find.Found:     "Found.",
		find.Ambiguous: "It is on this bus, but more than one field may be it.",
		find.Unsure:    "Not sure: what fits may do so by chance.",
		find.Nothing:   "Nothing fits.",
	}[r.Verdict]
	if r.More > 0 {
		text += fmt.Sprintf(" About %d more readings would settle it.", r.More)
	}
	if r.Next != "" {
		text += " Next: " + r.Next + "."
	}
	return text
}

// field is a candidate in words.
func field(c *find.Choice, unit string) string {
	from := fmt.Sprintf("id %03X", c.ID)
	if c.Source >= 0 {
		from = fmt.Sprintf("PGN %d from %d", c.PGN, c.Source)
	}
	sure := fmt.Sprintf("%.0f %% sure", 100*c.Probability)
	switch {
	case c.Probability > 0.99:
		sure = "over 99 % sure"
	case c.Probability < 0.01:
		sure = "under 1 % sure"
	}
	return fmt.Sprintf("%s, %d bits from bit %d, %.6g %s a step: off by %.3g at most, %s", from, c.Length, c.StartBit, c.Scale, unit, c.Worst, sure)
}
