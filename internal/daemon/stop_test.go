package daemon

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// A store that does not write, and in whose queue there is no place left, does not
// keep the program from stopping.
func TestAFullQueueHoldsUpNoStop(t *testing.T) {
	var text logText
	d := &Daemon{
		o: Options{Source: noBus{}}, log: slog.New(slog.NewTextHandler(&text, nil)), long: longRecord{block: history.NewBuilder()},
		writer: store.NewWriter(store.WriterOptions{Queue: 1, Open: func(context.Context) (*store.Store, store.Report, error) {
			return nil, store.Report{}, errors.New("there is no disk")
		}}),
	}
	scenario := virtual.DemoFor(0.2)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	var err error
	if d.core, err = core.New(cfg, core.Outputs{Row: d.row}); err != nil {
		t.Fatal(err)
	}
	for f := range virtual.New(scenario, 1).Frames() {
		if d.core.Frame(f); d.core.ShiftNumber() != 0 {
			break
		}
	}
	if d.core.ShiftNumber() == 0 {
		t.Fatal("there is no shift to remember")
	}
	if err := d.writer.Put(t.Context(), store.Record{Kind: store.Note}); err != nil {
		t.Fatal(err)
	}
	stopped := make(chan struct{})
	go func() { defer close(stopped); d.stopLong() }()
	select {
	case <-stopped:
	case <-time.After(3 * fullQueue):
		t.Fatal("it waits for a place in the queue")
	}
	if !strings.Contains(text.String(), "shift not remembered") {
		t.Errorf("the log says %q", text.String())
	}
}

// twoClocks is a bus on which two senders tell the time, two seconds apart.
type twoClocks struct {
	noBus
	asked int
}

func (c *twoClocks) Wall(stamp int64) (time.Time, bool) {
	c.asked++
	return time.Date(2026, 7, 28, 12, 0, 2*(c.asked%2), 0, time.UTC).Add(time.Duration(stamp)), true
}

// Each change of the calendar costs the card a commit, and stays for as long as the
// run: clocks that disagree must not fill it.
func TestClocksThatDisagreeDoNotFillTheStore(t *testing.T) {
	c, err := core.New(config.Default(), core.Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	var text logText
	clock := &twoClocks{}
	d := &Daemon{o: Options{Source: clock}, core: c, log: slog.New(slog.NewTextHandler(&text, nil)), clock: publish.Clock{},
		writer: store.NewWriter(store.WriterOptions{})}
	now := time.Unix(0, 0)
	changes := func() int { return strings.Count(text.String(), "calendar time changed") }
	for range 4 * 60 * 10 { // ten minutes
		now = now.Add(250 * time.Millisecond)
		d.keepDates(now)
	}
	if n := changes(); n < 20 || n > 40 {
		t.Errorf("%d changes were stored in ten minutes", n)
	}
	// Once one of them is silent the other one's time is stored.
	was := changes()
	for range 4 * 61 {
		now = now.Add(250 * time.Millisecond)
		clock.asked = 0 // the same time from now on
		d.keepDates(now)
	}
	if n := changes() - was; n > 1 || d.dateOffset.Second() != 2 {
		t.Errorf("%d changes, the last to %v", n, d.dateOffset)
	}
}
