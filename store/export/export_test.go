package export_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/internal/outside"
	"chaffinch/internal/problem"
	"chaffinch/publish/contract"
	"chaffinch/store"
	"chaffinch/store/export"
)

func sortByKey(all []store.Record) {
	slices.SortFunc(all, func(a, b store.Record) int {
		if a.Key.Less(b.Key) {
			return -1
		}
		return 1
	})
}

// The table is the samples of the same run to the last digit, with four columns
// behind. Rows of the file are a part of those of the run: it begins with the
// first frame and ends with the last.
func TestTableEqualsTheSamplesOfTheRun(t *testing.T) {
	_, samples := harvest()
	of := map[string]string{}
	for _, line := range lines(samples) {
		line = strings.TrimSuffix(line, "\r")
		of[line[:strings.IndexByte(line, ',')]] = line
	}
	got := lines(written(t, open(t, stored(t)), "csv", export.Part{}))
	if len(got) < int(3500*hours()) {
		t.Fatalf("%d rows of %v hours", len(got), hours())
	}
	for i, line := range got {
		fields := strings.Split(strings.TrimSuffix(line, "\r"), ",")
		plain := strings.Join(fields[:len(fields)-4], ",")
		if want := of[fields[0]]; plain != want {
			t.Fatalf("row %d\n%s\nwant\n%s", i, plain, want)
		}
		if i > 0 && (fields[len(fields)-1] != "system" || fields[len(fields)-3] != "1") {
			t.Fatalf("row %d ends in %v", i, fields[len(fields)-4:])
		}
	}
}

// The table is read by encoding/csv of Go and by SQLite (its .import, with its own
// reader), and both find the same.
func TestTablesAreReadByOthers(t *testing.T) {
	src := open(t, stored(t))
	for _, name := range []string{"csv", "events"} {
		t.Run(name, func(t *testing.T) {
			text := written(t, src, name, export.Part{})
			r := csv.NewReader(bytes.NewReader(text))
			all, err := r.ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			if len(all) < 5 {
				t.Fatalf("%d lines", len(all))
			}
			sum := 0
			last := all[0][len(all[0])-2] // at_s
			for _, row := range all[1:] {
				v, err := strconv.ParseFloat(row[len(row)-2], 64)
				if err != nil {
					t.Fatal(err)
				}
				sum += int(v)
			}
			sqlite := outside.Tool(t, "sqlite3")
			file := write(t, "table.csv", text)
			query := `select count(*), sum(cast("` + last + `" as integer)), count(distinct "clock") from t;`
			out, err := exec.Command(sqlite, ":memory:", "-cmd", ".mode csv", "-cmd", ".import "+file+" t", "-cmd", ".mode list", query).CombinedOutput()
			want := strconv.Itoa(len(all)-1) + "|" + strconv.Itoa(sum) + "|1"
			if got := strings.TrimSpace(string(out)); err != nil || got != want {
				t.Errorf("sqlite3 has %s, want %s; %v", got, want, err)
			}
		})
	}
}

// Each alarm is told once, by its newest record.
func TestAlarmsAreWhole(t *testing.T) {
	src := open(t, stored(t))
	seen := map[string]bool{}
	for e, err := range src.Events(export.Part{}) {
		if err != nil {
			t.Fatal(err)
		}
		if seen[e.ID] || e.Text == "" || e.Raised == nil || e.Phase == "ended" && (e.Ended == nil || e.DurationS == nil) {
			t.Errorf("%+v", e)
		}
		seen[e.ID] = true
	}
	if len(seen) < int(2.5*hours()) {
		t.Errorf("%d alarms in %v hours of troubles", len(seen), hours())
	}
}

// Every record that was published is in the lines, once and as it was, and as the
// schema of its topic says (publish/contract).
func TestLinesHaveEveryRecord(t *testing.T) {
	path := stored(t)
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	kinds := map[store.Kind]string{store.Event: "event", store.Prompt: "prompt", store.Judged: "verdict", store.Check: "check", store.Note: "note", store.Shift: "shift"}
	for kind, name := range kinds {
		for r, err := range s.All(kind, store.Key{}) {
			if err != nil {
				t.Fatal(err)
			}
			want[r.Key.String()] = name + " " + string(r.Payload)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	last := uint64(0)
	all := lines(written(t, open(t, path), "jsonl", export.Part{}))
	for _, text := range all {
		var l export.Line
		d := json.NewDecoder(strings.NewReader(text))
		d.DisallowUnknownFields()
		if err := d.Decode(&l); err != nil {
			t.Fatal(err)
		}
		if want[l.Key] != l.Record+" "+string(l.Message) {
			t.Errorf("%s is\n%s\nwant\n%s", l.Key, l.Message, want[l.Key])
		}
		if err := contract.Check(l.Record, l.Message); err != nil {
			t.Errorf("%s is not what its topic promises: %v", l.Key, err)
		}
		delete(want, l.Key)
		seq, err := strconv.ParseUint(strings.SplitN(l.Key, "-", 2)[1], 10, 64)
		if err != nil || seq <= last || l.Time == nil || l.Clock != "system" {
			t.Errorf("%s after %d, time %v, clock %s", l.Key, last, l.Time, l.Clock)
		}
		last = seq
	}
	if len(want) > 0 {
		t.Errorf("%d records are not there", len(want))
	}
}

// Where no clock could be trusted there is no date, and every format says so.
func TestNoDateIsInvented(t *testing.T) {
	src := undated(t)
	all, err := csv.NewReader(bytes.NewReader(written(t, src, "csv", export.Part{}))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, row := range all[1:] {
		if row[0] != "" || row[len(row)-1] != "unset" {
			t.Fatalf("row %d: time %q, clock %q", i, row[0], row[len(row)-1])
		}
	}
	for _, text := range lines(written(t, src, "jsonl", export.Part{})) {
		if !strings.Contains(text, `"time":null,"clock":"unset"`) {
			t.Fatal(text)
		}
	}
	if text := written(t, src, "geojson", export.Part{}); bytes.Contains(text, []byte(`"clock":"system"`)) {
		t.Error("the map knows a clock")
	}
	if _, err := src.Shift(1); err != nil {
		t.Fatal(err)
	}
	if n := len(lines(written(t, src, "csv", export.Part{From: time.Unix(0, 0)}))); n != 1 {
		t.Errorf("%d lines from a date on", n)
	}
}

// The same store gives the same bytes, and a shift is a part of everything.
func TestAPartIsTheSameEachTime(t *testing.T) {
	path := stored(t)
	for _, f := range export.Formats() {
		one := written(t, open(t, path), f.Name, export.Part{Shift: 1})
		two := written(t, open(t, path), f.Name, export.Part{Shift: 1})
		if !bytes.Equal(one, two) || len(one) == 0 {
			t.Errorf("%s differs", f.Name)
		}
	}
	src := open(t, path)
	shift, all := len(written(t, src, "csv", export.Part{Shift: 1})), len(written(t, src, "csv", export.Part{}))
	if shift >= all || shift < all/2 {
		t.Errorf("the shift has %d bytes, all has %d", shift, all)
	}
}

type failing struct{ after int }

func (f *failing) Write(b []byte) (int, error) {
	if f.after -= len(b); f.after < 0 {
		return 0, errors.New("no more room")
	}
	return len(b), nil
}

// An export that cannot be written, or is no longer wanted, says so.
func TestAnExportThatBreaksOff(t *testing.T) {
	src := open(t, stored(t))
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for _, f := range export.Formats() {
		if err := f.Write(context.Background(), &failing{100}, src, export.Part{}); err == nil || !strings.Contains(err.Error(), "no more room") {
			t.Errorf("%s: %v", f.Name, err)
		}
		if err := f.Write(ctx, io.Discard, src, export.Part{}); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", f.Name, err)
		}
		var told *problem.Problem
		if err := f.Write(context.Background(), io.Discard, src, export.Part{Shift: 9}); !errors.As(err, &told) || told.What != "there is no shift 9" {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
	var told *problem.Problem
	if _, err := export.Open(filepath.Join(t.TempDir(), "none.db")); !errors.As(err, &told) || told.Try == "" {
		t.Error(err)
	}
}

// Of a shift that goes on no totals are told, and nothing names its bytes.
func TestAShiftThatGoesOn(t *testing.T) {
	from, err := store.Open(stored(t), store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	began, _, err := from.Read(store.Shift, store.Key{}, 1)
	if err != nil || len(began) != 1 {
		t.Fatal(err, began)
	}
	if err := from.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "open.db")
	to, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	began[0].Key = store.Key{}
	if err := errors.Join(to.Append(began), to.Close()); err != nil {
		t.Fatal(err)
	}
	src := open(t, path)
	if src.Shifts()[0].Over() || src.Tag(export.Part{Shift: 1}, "v1") != "" {
		t.Error("it is over")
	}
	if text := string(written(t, src, "geojson", export.Part{Shift: 1})); !strings.Contains(text, `"over":false,"area_ha":null,`) || !strings.Contains(text, `"cutting_s":null,"field_s":null,"summary":null`) {
		t.Error(text)
	}
}

// The tag of a shift that is over stays while its bytes do, and is another for
// another version or store.
func TestTagsNameBytes(t *testing.T) {
	path, part := stored(t), export.Part{Shift: 1}
	tag := func() string {
		t.Helper()
		src, err := export.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		return src.Tag(part, "v1")
	}
	first := tag()
	src := open(t, stored(t))
	if first == "" || src.Tag(part, "v1") != first {
		t.Errorf("%q, then %q", first, src.Tag(part, "v1"))
	}
	for name, other := range map[string]string{"another version": src.Tag(part, "v2"), "another store, without dates": undated(t).Tag(part, "v1")} {
		if other == first || other == "" {
			t.Errorf("%s: the same tag", name)
		}
	}
	if src.Tag(export.Part{}, "v1") != "" || src.Tag(export.Part{Shift: 1, From: time.Unix(1, 0)}, "v1") != "" {
		t.Error("what may grow has a tag")
	}
	// A later run, with more records and its own clock, changes nothing of it.
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.AppendWall(store.Wall{Time: time.Now(), Source: store.GNSSTime}), s.Append([]store.Record{{Kind: store.Note, ID: "x", Phase: detect.Ended, Payload: []byte("{}")}}), s.Close()); err != nil {
		t.Fatal(err)
	}
	if tag() != first {
		t.Error("a later run changed the tag")
	}
}

// A shift that began before the store was open may have told the number of an older
// one. The older one's end is not its end.
func TestAnEndBelongsToWhatBeganBefore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "store.db")
	s, err := store.Open(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var all []store.Record
	for _, told := range []string{"1 began", "1 ended", "2 began", "2 ended", "1 began", "3 began"} {
		number, phase, _ := strings.Cut(told, " ")
		all = append(all, store.Record{Kind: store.Shift, ID: "shift-" + number, Payload: []byte(`{"phase":"` + phase + `","shift":{"number":` + number + `}}`)})
	}
	if err := errors.Join(s.Append(all), s.Close()); err != nil {
		t.Fatal(err)
	}
	var got []bool
	for _, one := range open(t, path).Shifts() {
		got = append(got, one.Over())
	}
	if !slices.Equal(got, []bool{true, true, false, false}) {
		t.Errorf("over: %v", got)
	}
}
