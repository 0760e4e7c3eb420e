package daemon

import (
	"context"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// heldBus is a live bus whose clock the test moves. Stamps are dates, which may be
// not trusted for a while.
type heldBus struct {
	noBus
	now   int64
	unset bool
}

func (b *heldBus) Stamp() int64                       { return b.now }
func (b *heldBus) Wall(stamp int64) (time.Time, bool) { return time.Unix(0, stamp), !b.unset }

// The board has power through a long meal, and the bus is silent. What was recorded
// before keeps its dates, up to the last second, and so does what comes after; also
// where the clock is set only then.
func TestDatesBeforeAndAfterALongSilence(t *testing.T) {
	for _, c := range []struct {
		name  string
		pause time.Duration
		unset bool
	}{{"half an hour", 30 * time.Minute, false}, {"three hours", 3 * time.Hour, false}, {"the clock is set after three hours", 3 * time.Hour, true}} {
		began := time.Date(2026, 7, 28, 9, 0, 0, 0, time.UTC)
		bus := &heldBus{now: began.UnixNano(), unset: c.unset}
		path := filepath.Join(t.TempDir(), "store.db")
		d := &Daemon{o: Options{Source: bus}, log: slog.New(slog.DiscardHandler), start: bus.now, long: longRecord{block: history.NewBuilder()},
			writer: store.NewWriter(store.WriterOptions{Open: func(context.Context) (*store.Store, store.Report, error) {
				s, err := store.Open(path, store.Options{})
				return s, store.Report{}, err
			}})}
		want := map[signal.Instant]int64{}
		var err error
		d.core, err = core.New(config.Default(), core.Outputs{Row: d.row, State: func(s *machine.State) { want[s.Now] = d.core.Stamp(s.Now) }})
		if err != nil {
			t.Fatal(err)
		}
		d.clock = publish.Clock{Boot: 1, Wall: d.wall}
		d.tell = announcer{board: publish.NewBoard(publish.NewTopics("x"), d.clock), send: func(publish.Message) {}}
		ctx, stop := context.WithCancel(t.Context())
		written := make(chan error, 1)
		go func() { written <- d.writer.Run(ctx) }()
		hear := func(long time.Duration) {
			for end := bus.now + int64(long); bus.now < end; bus.now += int64(100 * time.Millisecond) {
				d.core.Frame(&canbus.Frame{Stamp: bus.now, ID: 0x0CF00400, Len: 8, Flags: canbus.Extended,
					Data: [8]byte{0xF0, 0xFF, 0xFF, 0x00, 0x40, 0xFF, 0xFF, 0xFF}})
				d.keepDates(time.Unix(0, bus.now))
			}
		}
		hear(200 * time.Second)
		silent := bus.now
		for end := bus.now + int64(c.pause); bus.now < end; bus.now += int64(time.Second) {
			d.core.Quiet(bus.now)
			d.keepDates(time.Unix(0, bus.now))
		}
		// Meanwhile the program has a trouble of its own.
		d.record(&detect.Event{Number: detect.OwnNumbers + 1, Kind: "broker-away"}, signal.Instant(bus.now-d.core.Offset()))
		back := bus.now
		hear(100 * time.Second)
		bus.unset = false
		hear(100 * time.Second)
		d.storeBlock()
		stop()
		if err := <-written; err != nil {
			t.Fatal(err)
		}
		s, err := store.Open(path, store.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		dates, err := s.Dates()
		if err != nil {
			t.Fatal(err)
		}
		rows, wrong := 0, 0
		for row, err := range history.Rows(s, history.Span{}) {
			if err != nil {
				t.Fatal(err)
			}
			rows++
			if at, source, ok := dates.Date(row.Boot, row.At); !ok || source != store.SystemClock || at.UnixNano() != want[row.At] {
				wrong++
			}
		}
		if rows < 450 || wrong > 0 {
			t.Errorf("%s: %d of %d rows have a wrong date", c.name, wrong, rows)
		}
		events, err := s.Newest(store.Event, 1)
		if err != nil || len(events) != 1 {
			t.Fatal(events, err)
		}
		if at, _, _ := dates.Date(1, events[0].At); at.UnixNano() < silent || at.UnixNano() > back {
			t.Errorf("%s: the program's own trouble is of %v", c.name, at)
		}
		if got, ok := d.wall(signal.Instant(100 * time.Second)); !ok || !got.Equal(began.Add(100*time.Second)) {
			t.Errorf("%s: what was at %v is told as of %v", c.name, began.Add(100*time.Second), got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
