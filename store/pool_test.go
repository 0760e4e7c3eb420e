package store

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"chaffinch/detect"
)

func poolRecord(id string, size int) Record {
	return Record{Kind: Pool, ID: id, Phase: detect.Ended, Payload: bytes.Repeat([]byte(id[:1]), size)}
}

func TestPoolsAreBounded(t *testing.T) {
	s := open(t, newPath(t), Options{})
	appendAll(t, s, poolRecord("first", 10), poolRecord("again", 10))
	for i := range MaxPools - 2 {
		appendAll(t, s, poolRecord(fmt.Sprint(i), 100))
	}
	// The newest of an id takes the place of the older one, not of another.
	appendAll(t, s, poolRecord("again", 20))
	got, err := s.Latest(Pool, Key{})
	if err != nil || len(got) != MaxPools || s.Count(Pool) != MaxPools || got[0].ID != "first" || len(got[MaxPools-1].Payload) != 20 {
		t.Fatalf("%d pools, count %d, %v", len(got), s.Count(Pool), err)
	}
	appendAll(t, s, poolRecord("one more", MaxPool))
	got, err = s.Latest(Pool, Key{})
	if err != nil || len(got) != MaxPools || got[0].ID != "0" || len(got[MaxPools-1].Payload) != MaxPool {
		t.Errorf("%d pools from %q on, %v", len(got), got[0].ID, err)
	}
	for name, r := range map[string]Record{
		"too long": poolRecord("a", MaxPool+1),
		"sent":     {Kind: Pool, ID: "a", Send: true},
	} {
		if err := s.Append([]Record{r}); err == nil {
			t.Errorf("a pool that is %s was taken", name)
		}
	}
	closeStore(t, s)
}

// A machine may have told its pool once, years ago.
func TestPoolsDoNotGrowOld(t *testing.T) {
	now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	wall := func() (time.Time, bool) { return now, true }
	s := open(t, newPath(t), Options{Wall: wall, KeepFor: 24 * time.Hour})
	if err := s.AppendWall(Wall{Time: now, Source: BusTime}); err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, poolRecord("p", 10), Record{Kind: Check, ID: "c", Phase: detect.Ended, Payload: []byte(`{}`)})
	now = now.AddDate(3, 0, 0)
	for n := 1; n > 0; {
		var err error
		if n, err = s.Trim(false); err != nil {
			t.Fatal(err)
		}
	}
	if s.Count(Check) != 0 || s.Count(Pool) != 1 {
		t.Errorf("%d checks and %d pools are left", s.Count(Check), s.Count(Pool))
	}
	closeStore(t, s)
}

// The largest pools there can be, four on a leaf of the tree, are found again.
func TestSalvageOfPools(t *testing.T) {
	path, target := newPath(t), newPath(t)
	s := open(t, path, Options{})
	in := appendAll(t, s, poolRecord("a", MaxPool), poolRecord("b", MaxPool), poolRecord("c", MaxPool), poolRecord("d", MaxPool))
	closeStore(t, s)
	if kept, err := Salvage(path, target); err != nil || kept != len(in) {
		t.Fatalf("kept %d, %v", kept, err)
	}
	s = open(t, target, Options{})
	for i, r := range readAll(t, s, Pool) {
		if r.ID != in[i].ID || !bytes.Equal(r.Payload, in[i].Payload) {
			t.Errorf("pool %q of %d bytes", r.ID, len(r.Payload))
		}
	}
	if s.Count(Pool) != 4 {
		t.Errorf("%d pools", s.Count(Pool))
	}
	closeStore(t, s)
}
