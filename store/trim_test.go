package store

import (
	"fmt"
	"testing"
	"time"

	"chaffinch/detect"
)

func trimAll(t *testing.T, s *Store) (total int) {
	t.Helper()
	for {
		n, err := s.Trim(false)
		if err != nil {
			t.Fatal(err)
		}
		if n > trimStep {
			t.Fatalf("%d deleted in one step", n)
		}
		if total += n; n == 0 {
			return total
		}
	}
}

func TestTrimGivesUpHistoryFirstAndActiveEventsNever(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{MaxBytes: 4 << 20})
	active := appendAll(t, s, event("active", detect.Raised, detect.Low))
	for i := range 300 {
		appendAll(t, s, ended(fmt.Sprint(i), detect.Low)...)
	}
	for !s.Crowded() {
		appendAll(t, s, history(100, 300)...)
	}
	before := s.Count(History)
	trimmed := trimAll(t, s)
	if s.Crowded() || trimmed == 0 || s.Count(History) != before-uint64(trimmed) || s.Count(Event) != 601 {
		t.Errorf("%d trimmed, history %d to %d, events %d", trimmed, before, s.Count(History), s.Count(Event))
	}
	if first, _, _ := s.Read(History, Key{}, 1); len(first) != 1 || first[0].Key.Seq != 602+uint64(trimmed) {
		t.Errorf("it was not the oldest history that went: %v", first[0].Key)
	}
	closeStore(t, s)

	// With a bound that leaves room for nothing, all goes but what is active.
	s = open(t, path, Options{MaxBytes: 1})
	trimAll(t, s)
	left := readAll(t, s, Event)
	if len(left) != 1 || left[0].Key != active[0].Key || s.Count(History) != 0 {
		t.Errorf("left: %v and %d of history", left, s.Count(History))
	}
	keys, gaps := outboxKeys(t, s)
	if len(keys) != 1 || len(gaps) != 1 || gaps[0].Dropped != 600 {
		t.Errorf("outbox: %v, gaps %+v", keys, gaps)
	}
}

func TestTrimWritesNothingWhenThereIsNothingToDo(t *testing.T) {
	s := open(t, newPath(t), Options{})
	appendAll(t, s, ended("a", detect.Low)...)
	written := func() int64 {
		stats := s.db.Stats()
		return stats.TxStats.GetWrite()
	}
	before := written()
	if trimAll(t, s) != 0 {
		t.Error("trimmed")
	}
	if n, err := s.TrimOutbox(); n != 0 || err != nil {
		t.Error(n, err)
	}
	if more, err := s.StoreSent(); more || err != nil {
		t.Error(more, err)
	}
	if after := written(); after != before {
		t.Errorf("%d pages written", after-before)
	}
}

func TestTrimForgetsTheClockOfBootsThatAreGone(t *testing.T) {
	path := newPath(t)
	for range 3 {
		s := open(t, path, Options{})
		if err := s.AppendWall(Wall{Source: GNSSTime}); err != nil {
			t.Fatal(err)
		}
		closeStore(t, s)
	}
	s := open(t, path, Options{})
	trimAll(t, s)
	if d, err := s.Dates(); err != nil || len(d.byBoot) != 0 {
		t.Errorf("%v, %v", d, err)
	}
}

// The disk is full of other things: history makes room, and nothing else does.
func TestTrimOnAFullDisk(t *testing.T) {
	s := open(t, newPath(t), Options{})
	appendAll(t, s, ended("a", detect.Low)...)
	appendAll(t, s, history(100, 100)...)
	for _, want := range []int{64, 36, 0} {
		if n, err := s.Trim(true); err != nil || n != want {
			t.Errorf("%d deleted, want %d; %v", n, want, err)
		}
	}
	if s.Count(Event) != 2 || s.Count(History) != 0 {
		t.Errorf("%d events, %d of history", s.Count(Event), s.Count(History))
	}
}

// A gap stands in the place of the first message that was dropped. When the record
// of that goes later, no message is dropped again.
func TestARecordBehindAGapIsCountedOnce(t *testing.T) {
	s := open(t, newPath(t), Options{OutboxMax: 20})
	for i := range 15 {
		appendAll(t, s, ended(fmt.Sprint(i), detect.Low)...)
	}
	dropped, err := s.TrimOutbox()
	if err != nil || dropped != 11 {
		t.Fatalf("%d dropped, %v", dropped, err)
	}
	s.opts.MaxBytes = 1 // there is room for nothing
	trimAll(t, s)
	if _, gaps := outboxKeys(t, s); len(gaps) != 1 || gaps[0].Dropped != 30 {
		t.Errorf("gaps %+v: of 30 messages", gaps)
	}
}

// What is older than it may be goes, also behind a run of the program that never
// knew the date.
func TestTrimByAgeBehindARunWithoutAClock(t *testing.T) {
	path := newPath(t)
	now := time.Date(2026, 7, 28, 12, 0, 0, 0, time.UTC)
	o := Options{KeepFor: 400 * 24 * time.Hour, Wall: func() (time.Time, bool) { return now, true }}
	for _, run := range []struct {
		date   time.Time
		source Source
	}{{time.Unix(0, 0), UnsetClock}, {now.Add(-500 * 24 * time.Hour), GNSSTime}, {now.Add(-time.Hour), SystemClock}} {
		s := open(t, path, o)
		if err := s.AppendWall(Wall{Time: run.date, Source: run.source}); err != nil {
			t.Fatal(err)
		}
		appendAll(t, s, history(100, 10)...)
		closeStore(t, s)
	}
	s := open(t, path, o)
	trimAll(t, s)
	if all := readAll(t, s, History); len(all) != 100 || all[0].Key.Boot != 3 {
		t.Errorf("%d blocks are left, the first of run %d", len(all), all[0].Key.Boot)
	}
}

// Once too many wait, room is made for a while, in as many steps as it takes.
func TestTrimOutboxMakesRoomForAWhile(t *testing.T) {
	s := open(t, newPath(t), Options{OutboxMax: 4000})
	var all []Record
	for i := range 4001 {
		all = append(all, event(fmt.Sprint(i), detect.Ended, detect.Low))
	}
	appendAll(t, s, all...)
	total := 0
	for n := -1; n != 0; total += n {
		var err error
		if n, err = s.TrimOutbox(); err != nil {
			t.Fatal(err)
		}
	}
	if total != 202 || s.OutboxWaiting() != 3800 { // the gap among them
		t.Errorf("%d dropped, %d wait", total, s.OutboxWaiting())
	}
}
