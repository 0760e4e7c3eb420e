package store

import (
	"context"
	"os"
	"testing"
	"time"

	"chaffinch/detect"
)

func memory(id, text string) Record {
	return Record{Kind: Memory, ID: id, Phase: detect.Ended, Payload: []byte(text)}
}

func TestOfAMemoryTheNewestIsKept(t *testing.T) {
	now := time.Date(2026, 7, 1, 6, 0, 0, 0, time.UTC)
	s := open(t, newPath(t), Options{Wall: func() (time.Time, bool) { return now, true }, KeepFor: time.Hour})
	if err := s.AppendWall(Wall{Time: now, Source: BusTime}); err != nil {
		t.Fatal(err)
	}
	appendAll(t, s, memory("adviser", "1"), memory("setup", "1"), memory("adviser", "2"))
	now = now.AddDate(1, 0, 0)
	for n := 1; n > 0; {
		var err error
		if n, err = s.Trim(false); err != nil {
			t.Fatal(err)
		}
	}
	if newest, err := s.Newest(Memory, 1); err != nil || len(newest) != 1 || newest[0].ID != "adviser" {
		t.Errorf("newest %+v, %v", newest, err)
	}
	got := readAll(t, s, Memory)
	if all, err := s.Newest(Memory, 10); err != nil || len(all) != len(got) || all[0].ID != got[0].ID {
		t.Errorf("newest %+v, %v", all, err)
	}
	if len(got) != 2 || got[0].ID != "setup" || got[1].ID != "adviser" || string(got[1].Payload) != "2" {
		t.Errorf("kept %+v", got)
	}
	for i := range 2 * MaxMemories {
		appendAll(t, s, memory(string(rune('a'+i)), "x"))
	}
	if s.Count(Memory) != MaxMemories {
		t.Errorf("%d memories", s.Count(Memory))
	}
	closeStore(t, s)
}

// A file of schema 1 has no buckets for the later kinds. Read-only it stays so.
func TestAnOlderFileIsReadAsItIs(t *testing.T) {
	data, err := os.ReadFile("../testdata/store/v1.db")
	if err != nil {
		t.Fatal(err)
	}
	path := newPath(t)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := CheckFile(path); err != nil {
		t.Fatal(err)
	}
	s := open(t, path, Options{ReadOnly: true})
	for k := range kindCount {
		if got := readAll(t, s, k); uint64(len(got)) != s.Count(k) || k > History && len(got) > 0 {
			t.Errorf("%s: %d records, count %d", k, len(got), s.Count(k))
		}
	}
	if s.OutboxWaiting() != 2 {
		t.Errorf("%d messages wait", s.OutboxWaiting())
	}
	closeStore(t, s)
	os.Remove(path) // the checks at the end are those of this schema
}

func TestRecordsTogetherAreOneCommit(t *testing.T) {
	path := newPath(t)
	var commits [][]Record
	w := NewWriter(WriterOptions{
		Open: func(context.Context) (*Store, Report, error) {
			s, err := Open(path, Options{})
			return s, Report{}, err
		},
		Committed: func(r []Record) { commits = append(commits, r) },
	})
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	for range 50 {
		together := []Record{{Kind: Prompt, ID: "p1-1", Phase: detect.Ended, Send: true, Payload: []byte(`{}`)}, memory("adviser", "1")}
		if err := w.PutTogether(t.Context(), together); err != nil {
			t.Fatal(err)
		}
	}
	for name, wrong := range map[string][]Record{
		"history":           {{Kind: History}},
		"a memory too long": {memory("adviser", string(make([]byte, MaxPool+1)))},
	} {
		if err := w.PutTogether(t.Context(), wrong); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, c := range commits {
		if len(c)%2 != 0 {
			t.Errorf("a commit of %d records", len(c))
		}
		n += len(c)
	}
	if n != 100 {
		t.Errorf("%d records", n)
	}
}
