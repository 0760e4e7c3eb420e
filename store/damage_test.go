package store

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/detect"
)

// damages are the four of the operations note, each on a random place.
var damages = []struct {
	name string
	do   func(b []byte, rng *rand.Rand) []byte
}{
	{"page zeroed", func(b []byte, rng *rand.Rand) []byte {
		at := rng.IntN(usedPages(b)) * pageSize
		clear(b[at : at+pageSize])
		return b
	}},
	{"page garbled", func(b []byte, rng *rand.Rand) []byte {
		at := rng.IntN(usedPages(b)) * pageSize
		for i := range pageSize {
			b[at+i] = byte(rng.Uint32())
		}
		return b
	}},
	{"byte flipped", func(b []byte, rng *rand.Rand) []byte {
		b[rng.IntN(usedPages(b)*pageSize)] ^= byte(1 + rng.IntN(255))
		return b
	}},
	{"file cut", func(b []byte, rng *rand.Rand) []byte {
		return b[:rng.IntN(usedPages(b)*pageSize)]
	}},
}

// usedPages leaves out the tail of the file that was never written.
func usedPages(b []byte) int {
	return (len(bytes.TrimRight(b, "\x00")) + pageSize - 1) / pageSize
}

// damageBase is a store of 60 commits, some messages sent, some waiting.
func damageBase(t *testing.T, closed bool) (file []byte, m *model) {
	path := newPath(t)
	s := open(t, path, Options{})
	g := newSteps(1, nil)
	for i := range 60 {
		appendAll(t, s, ended(fmt.Sprint("event-", i), detect.Priority(i%3))...)
		if i%10 == 0 {
			appendAll(t, s, history(20, 100)...)
			appendAll(t, s, g.long()...)
			if err := s.AppendWall(Wall{Time: time.Unix(int64(i), 0), Source: GNSSTime}); err != nil {
				t.Fatal(err)
			}
		}
		if i == 40 {
			messages, err := s.OutboxNext(30)
			if err != nil {
				t.Fatal(err)
			}
			s.OutboxDone(messages[29].Key)
			if _, err := s.StoreSent(); err != nil {
				t.Fatal(err)
			}
		}
	}
	appendAll(t, s, event("open", detect.Raised, detect.High))
	if closed {
		closeStore(t, s)
	} else {
		s.abandon()
	}
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s = open(t, path, Options{ReadOnly: true})
	m = readModel(t, s)
	closeStore(t, s)
	return file, m
}

// Whatever is damaged, there is a store that works within seconds. What it
// holds is what was there: no record that differs, and each record of which
// one copy stands on pages without damage.
func TestDamageEndsWithAStoreThatWorks(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, closed := range []bool{true, false} {
		file, m := damageBase(t, closed)
		for _, d := range damages {
			tally := make(map[Verdict]int)
			kept, all := 0, 0
			var longest time.Duration
			for range rounds(t, 200) / 2 {
				b := d.do(bytes.Clone(file), rng)
				r := damageTrial(t, d.name, file, b, m)
				tally[r.Verdict]++
				longest = max(longest, r.Took)
				if r.Verdict == Damaged {
					kept += r.Kept
					for k := range kindCount {
						all += len(m.records[k])
					}
					all += 6 // walls
				}
			}
			t.Logf("%s, closed %t: %d damaged (%d of %d records kept), %d unharmed, longest %v", d.name, closed, tally[Damaged], kept, all, tally[Good], longest.Round(time.Millisecond))
			if tally[NotJudged] > 0 {
				t.Errorf("%s: %d not judged", d.name, tally[NotJudged])
			}
		}
	}
}

func damageTrial(t *testing.T, name string, before, after []byte, m *model) Report {
	t.Helper()
	path := filepath.Join(newFolder(t), "store.db")
	defer os.RemoveAll(filepath.Dir(path))
	if err := os.WriteFile(path, after, 0o600); err != nil {
		t.Fatal(err)
	}
	fail := func(format string, args ...any) {
		t.Helper()
		os.WriteFile(filepath.Join(os.TempDir(), "damaged-store.db"), after, 0o600)
		t.Fatalf(name+": "+format+" (file kept as damaged-store.db)", args...)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	s, r, err := OpenChecked(ctx, path, selfExe(t), Options{})
	if err != nil {
		fail("%v after %+v", err, r)
	}
	defer s.Close()
	if r.Took > 10*time.Second {
		fail("took %v", r.Took)
	}
	if (r.Verdict == Damaged) != (r.SetAside != "") {
		fail("%+v", r)
	}
	if len(after) > 0 && r.Verdict == Damaged && !r.Salvaged {
		fail("no salvage: %s", r.Trouble)
	}
	got := readModel(t, s)
	if r.Verdict == Good {
		got.boot = m.boot
		if got.String() != m.String() {
			fail("called good, but %s", firstDifference(got.String(), m.String()))
		}
	}
	if r.Verdict == Damaged {
		compareSalvaged(fail, before, after, m, got)
	}
	probe := []Record{event("probe", detect.Ended, detect.Low)}
	if err := s.Append(probe); err != nil {
		fail("does not take records: %v", err)
	}
	if s.ID() == idOf(t, before) && probe[0].Key.Seq <= m.seq {
		fail("key %s was given before", probe[0].Key)
	}
	if err := s.Close(); err != nil {
		fail("%v", err)
	}
	checkWithBolt(t, path)
	if err := CheckFile(path); err != nil {
		fail("%v", err)
	}
	return r
}

func idOf(t *testing.T, file []byte) (id string) {
	scanPages(bytes.NewReader(file), int64(len(file)), func(key, value []byte, _ int64) {
		if st, err := decodeState(value); err == nil && string(key) == string(stateKey) {
			id = st.ID
		}
	})
	if id == "" {
		t.Fatal("no state in the file before")
	}
	return id
}

func compareSalvaged(fail func(string, ...any), before, after []byte, m, got *model) {
	harmed := make([]bool, len(before)/pageSize)
	for i := range before {
		if i >= len(after) || before[i] != after[i] {
			harmed[i/pageSize] = true
		}
	}
	queued := make(map[Key]bool)
	for _, x := range got.outbox {
		queued[x.Key] = true
	}
	for k := range kindCount {
		have := make(map[Key]string)
		for _, r := range got.records[k] {
			have[r.Key] = fmt.Sprint(r)
		}
		for _, want := range m.records[k] {
			is, ok := have[want.Key]
			if ok && is != fmt.Sprint(want) {
				fail("record %s differs: %s, was %v", want.Key, is, want)
			}
			delete(have, want.Key)
			if !ok && standsUnharmed(before, harmed, want) {
				fail("record %s %s is lost, though its page is whole", k, want.Key)
			}
			if ok && want.Send && m.sent.Less(want.Key) && !queued[want.Key] {
				fail("record %s was not sent, and is not queued any more", want.Key)
			}
		}
		for key, r := range have {
			fail("record %s was never there: %s", key, r)
		}
	}
}

// standsUnharmed looks for the record's value byte by byte, not by the way
// that the salvage finds it.
func standsUnharmed(file []byte, harmed []bool, r Record) bool {
	key := r.Key.bytes()
	value := append(key, seal(key, typeRecord+valueType(r.Kind), r.encode())...)
	for from := 0; ; {
		i := bytes.Index(file[from:], value)
		if i < 0 {
			return false
		}
		if at := from + i; !harmed[at/pageSize] && at/pageSize == (at+len(value)-1)/pageSize {
			return true
		}
		from += i + 1
	}
}
