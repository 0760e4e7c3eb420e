package store

import (
	"fmt"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

func TestOutboxInOrderAtLeastOnce(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	for i := range 130 {
		appendAll(t, s, event(fmt.Sprint(i), detect.Ended, detect.Low))
	}
	appendAll(t, s, Record{Kind: Event, ID: "not sent", Phase: detect.Ended})
	next := func(want string) []Message {
		t.Helper()
		m, err := s.OutboxNext(3)
		if err != nil || len(m) == 0 || m[0].Record.ID != want {
			t.Fatalf("got %+v, %v; want %s first", m, err, want)
		}
		return m
	}
	m := next("0")
	s.OutboxDone(m[1].Key)
	m = next("2")
	s.OutboxDone(m[0].Key)
	s.OutboxDone(m[0].Key) // twice does no harm
	next("3")

	// The cursor was in memory only: after a crash three come again.
	s.abandon() // as a crash does
	s = open(t, path, Options{})
	next("0")
	for range 120 {
		m, _ := s.OutboxNext(1)
		s.OutboxDone(m[0].Key)
	}
	more, err := s.StoreSent()
	if err != nil || !more || s.OutboxWaiting() != 30 {
		t.Errorf("more %t, %v, %d waiting", more, err, s.OutboxWaiting())
	}
	s.abandon()
	s = open(t, path, Options{})
	next("120") // though entries up to 119 are not deleted yet
	if more, err := s.StoreSent(); err != nil || more || s.OutboxWaiting() != 10 {
		t.Errorf("more %t, %v, %d waiting", more, err, s.OutboxWaiting())
	}
	m, err = s.OutboxNext(0)
	if err != nil || len(m) != 10 || m[9].Record.ID != "129" {
		t.Errorf("%d messages, %v", len(m), err)
	}
	if s.Count(Event) != 131 {
		t.Errorf("%d events", s.Count(Event))
	}
}

func TestOutboxDropsOldestLowEndedAndTells(t *testing.T) {
	s := open(t, newPath(t), Options{OutboxMax: 100})
	var lows []Key
	put := func(r ...Record) []Key {
		var keys []Key
		for _, r := range appendAll(t, s, r...) {
			keys = append(keys, r.Key)
		}
		return keys
	}
	kept := put(event("active-low", detect.Raised, detect.Low))
	kept = append(kept, put(ended("high", detect.High)...)...)
	kept = append(kept, put(ended("medium", detect.Medium)...)...)
	// It began low and became high: not a low one.
	kept = append(kept, put(event("rising", detect.Raised, detect.Low), event("rising", detect.Ended, detect.High))...)
	for i := range 60 {
		r := ended(fmt.Sprint("low", i), detect.Low)
		r[0].At, r[1].At = signal.Instant(10*i), signal.Instant(10*i+5)
		lows = append(lows, put(r...)...)
	}
	if !s.OutboxOver() {
		t.Fatal("not over its bound")
	}
	total := 0
	for {
		n, err := s.TrimOutbox()
		if err != nil {
			t.Fatal(err)
		}
		if total += n; n == 0 {
			break
		}
	}
	// 127 wait, 95 may: 32 go, and the gap takes a place, for which nothing
	// goes as 96 is under the bound.
	if total != 32 || s.OutboxWaiting() != 96 {
		t.Errorf("%d dropped, %d wait", total, s.OutboxWaiting())
	}
	keys, gaps := outboxKeys(t, s)
	for i, want := range append(kept, lows[32:]...) {
		if i >= len(keys) || keys[i] != want {
			t.Fatalf("message %d: want %s of %v", i, want, keys)
		}
	}
	if len(gaps) != 1 || gaps[0] != (Gap{32, lows[0], lows[31], 0, 155}) {
		t.Errorf("gaps %+v", gaps)
	}
	if s.Count(Event) != 127 {
		t.Errorf("%d events: records must stay", s.Count(Event))
	}

	// The gap comes in its place, and once it is with the sender it stays as
	// it is: what is dropped later is told in another one.
	m, err := s.OutboxNext(8)
	if err != nil || m[7].Gap == nil || m[7].Gap.Dropped != 32 || m[7].Key != lows[0] {
		t.Fatalf("%+v, %v", m, err)
	}
	for i := range 10 {
		put(ended(fmt.Sprint("more", i), detect.Low)...)
	}
	if n, err := s.TrimOutbox(); err != nil || n != 21 {
		t.Fatalf("%d dropped, %v", n, err)
	}
	if _, gaps = outboxKeys(t, s); len(gaps) != 2 || gaps[0].Dropped != 32 || gaps[1].Dropped != 21 {
		t.Errorf("gaps %+v", gaps)
	}
	// A gap that waits grows.
	for i := range 10 {
		put(ended(fmt.Sprint("most", i), detect.Low)...)
	}
	if n, err := s.TrimOutbox(); err != nil || n != 21 {
		t.Fatalf("%d dropped, %v", n, err)
	}
	if _, gaps = outboxKeys(t, s); len(gaps) != 2 || gaps[0].Dropped != 32 || gaps[1].Dropped != 42 {
		t.Errorf("gaps %+v", gaps)
	}
}

func TestOutboxNeverDropsActiveEvents(t *testing.T) {
	s := open(t, newPath(t), Options{OutboxMax: 10})
	for i := range 30 {
		appendAll(t, s, event(fmt.Sprint(i), detect.Raised, detect.Low))
	}
	if n, err := s.TrimOutbox(); n != 0 || err != nil {
		t.Errorf("%d dropped, %v", n, err)
	}
	appendAll(t, s, event("3", detect.Ended, detect.Low))
	if n, err := s.TrimOutbox(); n != 2 || err != nil {
		t.Errorf("%d dropped, %v", n, err)
	}
}

func TestOutboxDropsWhatIsTooOld(t *testing.T) {
	now, trusted := time.Date(2026, 8, 1, 0, 0, 0, 0, time.UTC), true
	s := open(t, newPath(t), Options{OutboxFor: time.Hour, KeepFor: 24 * time.Hour, Wall: func() (time.Time, bool) { return now, trusted }})
	put := func(id string, age time.Duration) {
		r := event(id, detect.Ended, detect.High)
		r.At = signal.Instant(-age)
		appendAll(t, s, r)
	}
	put("two days", 48*time.Hour)
	put("two hours", 2*time.Hour)
	put("new", time.Minute)
	check := func(name string, wantMessages, wantEvents int) {
		t.Helper()
		for _, trim := range []func() (int, error){s.TrimOutbox, func() (int, error) { return s.Trim(false) }} {
			if _, err := trim(); err != nil {
				t.Fatal(err)
			}
		}
		keys, _ := outboxKeys(t, s)
		if len(keys) != wantMessages || s.Count(Event) != uint64(wantEvents) {
			t.Errorf("%s: %d messages, %d events; want %d, %d", name, len(keys), s.Count(Event), wantMessages, wantEvents)
		}
	}
	check("no date known", 3, 3)
	if err := s.AppendWall(Wall{At: 0, Time: now, Source: UnsetClock}); err != nil {
		t.Fatal(err)
	}
	check("dates are guesses", 3, 3)
	if err := s.AppendWall(Wall{At: 0, Time: now, Source: GNSSTime}); err != nil {
		t.Fatal(err)
	}
	now, trusted = now.Add(56*365*24*time.Hour), false
	check("a clock 56 years ahead that is not trusted", 3, 3)
	now, trusted = now.Add(-56*365*24*time.Hour), true
	check("all known", 1, 2)
}
