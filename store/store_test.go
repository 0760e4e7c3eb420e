package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

func TestOpenMakesAWholeFile(t *testing.T) {
	path := newPath(t)
	// What a power cut can leave: an empty file, and a temporary one.
	for _, name := range []string{path, path + ".new"} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := open(t, path, Options{})
	if s.WasClean() || s.Boot() != 1 || len(s.ID()) != 16 {
		t.Errorf("clean %t, boot %d, id %q", s.WasClean(), s.Boot(), s.ID())
	}
	id := s.ID()
	closeStore(t, s)
	if left, _ := filepath.Glob(path + ".*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	s = open(t, path, Options{})
	if !s.WasClean() || s.Boot() != 2 || s.ID() != id {
		t.Errorf("second opening: clean %t, boot %d, id %q", s.WasClean(), s.Boot(), s.ID())
	}
}

func TestSecondProcessIsTold(t *testing.T) {
	path := newPath(t)
	open(t, path, Options{})
	var both sync.WaitGroup
	for _, o := range []Options{{}, {ReadOnly: true}} {
		both.Go(func() {
			if _, err := Open(path, o); !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), "stop the chaffinch service") {
				t.Errorf("got %v", err)
			}
		})
	}
	both.Wait()
}

func TestReadOnlyChangesNothing(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	appendAll(t, s, ended("a", detect.Low)...)
	closeStore(t, s)
	before, _ := os.ReadFile(path)
	s = open(t, path, Options{ReadOnly: true})
	if n := len(readAll(t, s, Event)); n != 2 || s.Boot() != 1 {
		t.Errorf("%d records, boot %d", n, s.Boot())
	}
	if err := s.Append(ended("b", detect.Low)); err == nil {
		t.Error("a read-only store took a record")
	}
	closeStore(t, s)
	if after, _ := os.ReadFile(path); !slices.Equal(before, after) {
		t.Error("the file has changed")
	}
	if _, err := Open(path+"x", Options{ReadOnly: true}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("absent: %v", err)
	}
}

func TestRecordsComeBackAsTheyWere(t *testing.T) {
	s := open(t, newPath(t), Options{})
	in := []Record{
		{Kind: Event, ID: "1-1", Phase: detect.Raised, Priority: detect.High, At: -5, Send: true, Payload: []byte(`{"kind":"rotor-slowing"}`)},
		{Kind: Prompt, ID: "p1", Phase: detect.Ended, Priority: detect.Medium, At: 1 << 60, Payload: []byte(`{}`)},
		{Kind: History, Phase: detect.Ended, At: signal.Never},
		{Kind: Event, ID: "1-1", Phase: detect.Ended, Priority: detect.High, At: 7, Send: true, Payload: []byte(strings.Repeat("x", MaxPayload))},
		{Kind: Event, ID: strings.Repeat("i", MaxID), Phase: detect.Changed},
	}
	in = appendAll(t, s, in...)
	var out []Record
	for k := range kindCount {
		out = append(out, readAll(t, s, k)...)
	}
	slices.SortFunc(out, func(a, b Record) int { return int(a.Key.Seq) - int(b.Key.Seq) })
	if got, want := fmt.Sprint(out), fmt.Sprint(in); got != want {
		t.Errorf("got\n%.300s\nwant\n%.300s", got, want)
	}
	if s.Count(Event) != 3 || s.Count(Prompt) != 1 || s.Count(History) != 1 {
		t.Errorf("counts %d %d %d", s.Count(Event), s.Count(Prompt), s.Count(History))
	}
	active, err := s.Active()
	if err != nil || len(active) != 1 || active[0].Phase != detect.Changed {
		t.Errorf("active: %v, %v", active, err)
	}
	latest, err := s.Latest(Event, Key{})
	if err != nil || len(latest) != 2 || latest[0].Phase != detect.Ended || latest[1].Phase != detect.Changed {
		t.Errorf("latest: %.200v, %v", latest, err)
	}
}

func TestWhatCannotBeStoredIsRefused(t *testing.T) {
	s := open(t, newPath(t), Options{})
	for _, r := range []Record{
		{Kind: kindCount, ID: "a"},
		{Kind: Event},
		{Kind: Event, ID: strings.Repeat("i", MaxID+1)},
		{Kind: Event, ID: "a", Payload: make([]byte, MaxPayload+1)},
	} {
		if err := s.Append([]Record{event("good", detect.Ended, 0), r}); err == nil {
			t.Errorf("took %.60v", r)
		}
	}
	if s.Count(Event) != 0 {
		t.Error("half of a refused batch was written")
	}
}

func TestReadInChunks(t *testing.T) {
	s := open(t, newPath(t), Options{})
	var in []Record
	for i := range 1234 {
		in = append(in, event(fmt.Sprint(i), detect.Ended, detect.Low))
	}
	in = appendAll(t, s, in...)
	first, next, err := s.Read(Event, Key{}, 0)
	if err != nil || len(first) != 500 || next != in[500].Key {
		t.Fatalf("%d records, next %v, %v", len(first), next, err)
	}
	some, next, err := s.Read(Event, in[1230].Key, 10)
	if err != nil || len(some) != 4 || !next.IsZero() || some[0].ID != "1230" {
		t.Fatalf("%d records, next %v, %v", len(some), next, err)
	}
	if n := len(readAll(t, s, Event)); n != 1234 {
		t.Errorf("All: %d records", n)
	}
}

func TestSequenceGoesOnAcrossBoots(t *testing.T) {
	path := newPath(t)
	last := uint64(0)
	for boot := range uint32(5) {
		s := open(t, path, Options{})
		r := appendAll(t, s, ended(fmt.Sprint(boot), detect.Low)...)
		for _, r := range r {
			if r.Key.Boot != boot+1 || r.Key.Seq != last+1 {
				t.Errorf("boot %d: key %s after %d", boot+1, r.Key, last)
			}
			last = r.Key.Seq
		}
		closeStore(t, s)
	}
	// Also when nothing is left of what had them.
	s := open(t, path, Options{MaxBytes: 1})
	for {
		if n, err := s.Trim(false); err != nil || n == 0 {
			break
		}
	}
	closeStore(t, s)
	s = open(t, path, Options{})
	if s.Count(Event) != 0 {
		t.Fatalf("%d events left", s.Count(Event))
	}
	if r := appendAll(t, s, event("z", detect.Ended, 0)); r[0].Key.Seq != last+1 {
		t.Errorf("key %s after %d", r[0].Key, last)
	}
}

func TestDates(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	noon := time.Date(2026, 8, 1, 12, 0, 0, 0, time.UTC)
	sec := signal.Instant(1e9)
	for _, w := range []Wall{
		{At: 0, Time: time.Unix(1, 0), Source: UnsetClock},
		{At: 100 * sec, Time: noon, Source: SystemClock},
		{At: 5000 * sec, Time: noon.Add(4900*time.Second + 40*time.Millisecond), Source: SystemClock}, // drifted
	} {
		if err := s.AppendWall(w); err != nil {
			t.Fatal(err)
		}
	}
	closeStore(t, s)
	s = open(t, path, Options{})
	if err := s.AppendWall(Wall{At: 7 * sec, Time: time.Unix(99, 0), Source: UnsetClock}); err != nil {
		t.Fatal(err)
	}
	d, err := s.Dates()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		boot   uint32
		at     signal.Instant
		want   time.Time
		source Source
		ok     bool
	}{
		{"before the clock was set", 1, 40 * sec, noon.Add(-60 * time.Second), SystemClock, true},
		{"after", 1, 160 * sec, noon.Add(60 * time.Second), SystemClock, true},
		{"near the later record", 1, 5001 * sec, noon.Add(4901*time.Second + 40*time.Millisecond), SystemClock, true},
		{"only a guess", 2, 8 * sec, time.Unix(100, 0), UnsetClock, true},
		{"a boot without", 3, 8 * sec, time.Time{}, UnsetClock, false},
	} {
		got, source, ok := d.Date(c.boot, c.at)
		if !got.Equal(c.want) || source != c.source || ok != c.ok {
			t.Errorf("%s: got %v %v %t, want %v %v %t", c.name, got, source, ok, c.want, c.source, c.ok)
		}
	}
}
