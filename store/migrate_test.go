package store

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"

	bolt "go.etcd.io/bbolt"
)

var update = flag.Bool("update", false, "write the fixture of this schema anew")

var fixture = fmt.Sprintf("../testdata/store/v%d.db", Schema)

// fixtureRecords is what stands in the fixture of a schema.
func fixtureRecords(schema int) []Record {
	all := []Record{
		{Kind: Event, ID: "0123456789abcdef-1-1", Phase: detect.Raised, Priority: detect.High, At: 5e9, Send: true, Payload: []byte(`{"schema":1,"kind":"rotor-slowing"}`)},
		{Kind: Event, ID: "0123456789abcdef-1-1", Phase: detect.Ended, Priority: detect.High, At: 9e9, Send: true, Payload: []byte(`{"schema":1,"kind":"rotor-slowing","duration_s":4}`)},
		{Kind: Event, ID: "0123456789abcdef-1-2", Phase: detect.Raised, Priority: detect.Low, At: 12e9, Send: true, Payload: []byte(`{"schema":1,"kind":"spare-capacity"}`)},
		{Kind: Prompt, ID: "p1", Phase: detect.Ended, At: 20e9, Payload: []byte(`{}`)},
		{Kind: Check, ID: "c1", Phase: detect.Ended, At: 30e9, Payload: []byte(`{}`)},
		{Kind: Shift, ID: "s1", Phase: detect.Ended, At: 40e9, Payload: []byte(`{}`)},
		{Kind: History, Phase: detect.Ended, At: 50e9, Payload: []byte(`{}`)},
	}
	if schema < 2 {
		return all
	}
	return append(all,
		Record{Kind: Judged, ID: "p1", Phase: detect.Ended, At: 51e9, Payload: []byte(`{}`)},
		Record{Kind: Note, ID: "n1", Phase: detect.Ended, At: 52e9, Payload: []byte(`{}`)},
		Record{Kind: Input, ID: "i1", Phase: detect.Ended, At: 53e9, Payload: []byte(`{}`)},
		Record{Kind: Memory, ID: "adviser", Phase: detect.Ended, At: 54e9, Payload: []byte(`{}`)},
	)
}

func TestReadsEveryReleasedSchema(t *testing.T) {
	if *update {
		writeFixture(t)
	}
	all, err := filepath.Glob("../testdata/store/v*.db")
	if err != nil || len(all) != Schema {
		t.Fatalf("%d fixtures for schema %d: %v", len(all), Schema, err)
	}
	for i, name := range all { // in the order of schemas, of which there are less than ten
		schema := i + 1
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		path := newPath(t)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		s, report, err := OpenChecked(t.Context(), path, selfExe(t), Options{})
		if err != nil || report.Verdict != Good {
			t.Fatalf("%s: %+v, %v", name, report, err)
		}
		var got []Record
		for k := range kindCount {
			got = append(got, readAll(t, s, k)...)
		}
		records := fixtureRecords(schema)
		if len(got) != len(records) {
			t.Fatalf("%s: %d records, should be %d", name, len(got), len(records))
		}
		for i, want := range records {
			r := got[i]
			if r.ID != want.ID || r.At != want.At || r.Phase != want.Phase || string(r.Payload) != string(want.Payload) {
				t.Errorf("%s: record %d is %+v", name, i, r)
			}
		}
		if m, err := s.OutboxNext(0); err != nil || len(m) != 2 {
			t.Errorf("%s: %d messages, %v", name, len(m), err)
		}
		// What an older program left can be added to.
		later := appendAll(t, s, Record{Kind: Memory, ID: "adviser", Phase: detect.Ended, Payload: []byte(`{"later":1}`)},
			Record{Kind: Judged, ID: "p9", Phase: detect.Ended, Payload: []byte(`{}`)})
		if m := readAll(t, s, Memory); len(m) != 1 || m[0].Key != later[0].Key || s.Count(Memory) != 1 {
			t.Errorf("%s: %d memories, count %d", name, len(m), s.Count(Memory))
		}
		d, err := s.Dates()
		if date, source, ok := d.Date(1, 60e9); err != nil || !ok || source != BusTime || !date.Equal(time.Date(2026, 7, 1, 6, 1, 0, 0, time.UTC)) {
			t.Errorf("%s: date %v %v %t, %v", name, date, source, ok, err)
		}
		closeStore(t, s)
	}
}

func writeFixture(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new.db")
	s := open(t, path, Options{})
	r := appendAll(t, s, fixtureRecords(Schema)...)
	if err := s.AppendWall(Wall{At: signal.Instant(0), Time: time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC), Source: BusTime}); err != nil {
		t.Fatal(err)
	}
	s.OutboxDone(r[0].Key)
	closeStore(t, s)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(fixture, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestMigrateRunsTheStepsThatAreMissing(t *testing.T) {
	db, err := bolt.Open(filepath.Join(t.TempDir(), "m.db"), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	mark := func(name string) migration {
		return func(tx *bolt.Tx) error {
			_, err := tx.CreateBucket([]byte(name))
			return err
		}
	}
	wrong := errors.New("cannot")
	for _, c := range []struct {
		name  string
		from  uint32
		steps []migration
		want  uint32
		marks []string
		fails bool
	}{
		{"nothing to do", 1, nil, 1, nil, false},
		{"one to three", 1, []migration{mark("a2"), mark("a3")}, 3, []string{"a2", "a3"}, false},
		{"two to three", 2, []migration{mark("b2"), mark("b3")}, 3, []string{"b3"}, false},
		{"a step fails", 1, []migration{mark("c2"), func(*bolt.Tx) error { return wrong }}, 1, nil, true},
		{"from the future", 9, nil, 9, nil, true},
		{"no schema", 0, nil, 0, nil, true},
	} {
		before := buckets(t, db)
		var got uint32
		err := db.Update(func(tx *bolt.Tx) (err error) {
			got, err = migrate(tx, c.from, c.steps)
			return err
		})
		if (err != nil) != c.fails || got != c.want {
			t.Errorf("%s: schema %d, %v", c.name, got, err)
		}
		if after := buckets(t, db); after != before+len(c.marks) {
			t.Errorf("%s: %d buckets, had %d", c.name, after, before)
		}
	}
}

func buckets(t *testing.T, db *bolt.DB) (n int) {
	err := db.View(func(tx *bolt.Tx) error {
		return tx.ForEach(func([]byte, *bolt.Bucket) error { n++; return nil })
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestNewerStoreIsLeftAlone(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	if err := s.transact(0, func(e *edit) error { e.st.Schema = Schema + 1; return nil }); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	before, _ := os.ReadFile(path)
	_, report, err := OpenChecked(t.Context(), path, selfExe(t), Options{})
	if err == nil || report.Verdict == Damaged || errors.Is(err, ErrDamaged) {
		t.Errorf("%+v, %v", report, err)
	}
	if after, _ := os.ReadFile(path); string(after) != string(before) {
		t.Error("the file has changed")
	}
	os.Remove(path) // the checks at the end are those of this schema
}
