package core

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/internal/problem"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// recorded runs a make-believe harvest into a store, and returns its path, the
// samples of the same run, and the core.
func recorded(t *testing.T, hours float64) (path string, samples []string, c *Core) {
	t.Helper()
	scenario := virtual.Random(3, hours)
	folder := t.TempDir()
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	path = filepath.Join(folder, "store.db")
	recording, err := NewRecording(path, store.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	var table bytes.Buffer
	rows := NewSamples(&table, func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true })
	if c, err = New(cfg, recording.Beside(Outputs{State: rows.State})); err != nil {
		t.Fatal(err)
	}
	recording.Follow(c)
	combine := virtual.New(scenario, 3)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	if err := errors.Join(rows.Close(), recording.Close()); err != nil {
		t.Fatal(err)
	}
	return path, strings.Split(strings.TrimSpace(table.String()), "\r\n")[1:], c
}

// sampleOf is a row of history as a line of the samples.
func sampleOf(r *history.Row, at time.Time) string {
	line := at.UTC().AppendFormat(nil, "2006-01-02T15:04:05.000Z")
	line = append(line, ',')
	line = append(line, r.Activity.String()...)
	for id := range signal.ID(signal.Count) {
		line = append(line, ',')
		if v, ok := r.Value(id); ok {
			line = appendTrimmed(line, v, id.Info().Decimals+1)
		}
	}
	line = append(line, ',')
	known := r.Feed.Basis != machine.NoFeed
	if known {
		line = appendTrimmed(line, float64(r.Feed.Rate), 2)
	}
	line = append(line, ',')
	if known {
		line = appendTrimmed(line, float64(r.Feed.SD), 2)
	}
	line = append(line, ',')
	if known && r.Feed.FullnessKnown {
		line = appendTrimmed(line, float64(r.Feed.Fullness), 1)
	}
	return string(line) + "," + r.Feed.Basis.String()
}

// What history keeps is what the samples of the same run say, to the last digit
// and second, with the dates that the store works out.
func TestHistoryIsWhatTheSamplesSay(t *testing.T) {
	path, samples, _ := recorded(t, 0.5)
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	dates, err := s.Dates()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for row, err := range history.Rows(s, history.Span{}) {
		if err != nil {
			t.Fatal(err)
		}
		at, _, ok := dates.Date(row.Boot, row.At)
		if !ok {
			t.Fatal("no date")
		}
		if n >= len(samples) {
			t.Fatalf("more rows than the %d samples", len(samples))
		}
		if got := sampleOf(row, at); got != samples[n] {
			t.Fatalf("row %d\nhistory %s\nsamples %s", n, got, samples[n])
		}
		n++
	}
	if n != len(samples) || n < 1700 {
		t.Errorf("%d rows, %d samples", n, len(samples))
	}
}

// The rows of a shift add up to what its record says.
func TestAShiftsRowsAddUpToItsRecord(t *testing.T) {
	path, _, _ := recorded(t, 1)
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	all, err := history.Shifts(s)
	if err != nil || len(all) != 1 {
		t.Fatalf("%d shifts, %v", len(all), err)
	}
	told := all[0].Told
	if told.Phase != "ended" || told.Shift.Number != 1 {
		t.Errorf("%s %d", told.Phase, told.Shift.Number)
	}
	total := told.Shift.Total
	var cutting, onTheGo, grain, fuel float64
	for row, err := range history.Rows(s, all[0].Span) {
		if err != nil {
			t.Fatal(err)
		}
		if row.At > told.Shift.Ended.At {
			break
		}
		if row.Activity == machine.Cutting {
			cutting++
		}
		if row.OnTheGo {
			onTheGo++
		}
		if v, ok := row.Value(signal.GrainFlow.ID); ok {
			grain += v / 3600
		}
		if v, ok := row.Value(signal.FuelRate.ID); ok {
			fuel += v / 3600
		}
	}
	for _, x := range []struct {
		what                string
		rows, record, share float64
	}{
		{"cutting, s", cutting, total.Times.CuttingS, 0.01}, {"on the go, s", onTheGo, total.Times.OnTheGoS, 0.05},
		{"grain, t", grain, total.GrainT.Value, 0.01}, {"fuel, L", fuel, total.FuelL.Value, 0.01},
	} {
		t.Logf("%s: rows %.2f, record %.2f", x.what, x.rows, x.record)
		if math.Abs(x.rows-x.record) > x.share*x.record+1 || x.record == 0 && x.what != "on the go, s" {
			t.Errorf("%s: rows %.2f, record %.2f", x.what, x.rows, x.record)
		}
	}
	if n := s.OutboxWaiting(); n != 0 {
		t.Errorf("%d messages wait to be sent", n)
	}
	events := 0
	for r, err := range s.All(store.Event, store.Key{}) {
		if err != nil {
			t.Fatal(err)
		}
		if r.Phase == detect.Raised {
			events++
		}
	}
	raised := 0
	for _, a := range told.Shift.Alarms {
		raised += a.Count
	}
	if raised > events || raised == 0 {
		t.Errorf("%d alarms in the shift, %d in the store", raised, events)
	}
}

func TestARecordingReplacesNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "there.db")
	if err := os.WriteFile(path, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	var p *problem.Problem
	if _, err := NewRecording(path, store.DefaultSettings()); !errors.As(err, &p) || p.Try == "" {
		t.Errorf("%v", err)
	}
}

// Where the bus was silent for hours, or the clock of a log was set, each segment has
// dates of its own: those of its stamps, up to its last second.
func TestDatesOfARecordWithABreak(t *testing.T) {
	s, frames, _ := quietDay(t, 0.25)
	for _, jump := range []time.Duration{13 * time.Hour, -13 * time.Hour, 30 * time.Minute} {
		path := filepath.Join(t.TempDir(), "store.db")
		recording, err := NewRecording(path, store.DefaultSettings())
		if err != nil {
			t.Fatal(err)
		}
		var c *Core
		want := map[signal.Instant]int64{}
		out := recording.Beside(Outputs{State: func(st *machine.State) { want[st.Now] = c.Stamp(st.Now) }})
		if c, err = New(pretend(t, s), out); err != nil {
			t.Fatal(err)
		}
		recording.Follow(c)
		for i, f := range frames {
			if i >= len(frames)/2 {
				f.Stamp += int64(jump)
			}
			c.Frame(&f)
		}
		c.Finish()
		for at, stamp := range want {
			if got := c.Stamp(at); got != stamp {
				t.Errorf("step of %v: %v was at %v, and is at %v afterwards", jump, at.Seconds(), time.Unix(0, stamp).UTC(), time.Unix(0, got).UTC())
				break
			}
		}
		if err := recording.Close(); err != nil {
			t.Fatal(err)
		}
		kept, err := store.Open(path, store.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		dates, err := kept.Dates()
		if err != nil {
			t.Fatal(err)
		}
		rows, wrong := 0, 0
		for row, err := range history.Rows(kept, history.Span{}) {
			if err != nil {
				t.Fatal(err)
			}
			rows++
			if at, _, ok := dates.Date(row.Boot, row.At); !ok || at.UnixNano() != want[row.At] {
				wrong++
			}
		}
		if rows < 800 || wrong > 0 {
			t.Errorf("step of %v: %d of %d rows have a wrong date", jump, wrong, rows)
		}
		if err := kept.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A store that opens only when the machine cuts already knows of earlier shifts: no
// number is given twice.
func TestAShiftThatBeganBeforeTheStoreCame(t *testing.T) {
	s, frames, _ := quietDay(t, 0.1)
	c, err := New(pretend(t, s), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	late := false
	for i := range frames {
		if c.Frame(&frames[i]); c.ShiftNumber() == 0 || late {
			continue
		}
		late = true
		if over, ok, err := c.RememberShift(shift.Memory{Version: 1, Last: 56}, 57, -1); over != nil || ok || err != nil {
			t.Fatal(over, ok, err)
		}
	}
	if n := c.ShiftNumber(); n != 58 {
		t.Errorf("it is shift %d", n)
	}
}

// A large store on a slow card opens when the engine runs already. What earlier runs
// left is taken up until the machine cuts.
func TestAStoreThatComesBeforeTheFirstCut(t *testing.T) {
	s, frames, _ := quietDay(t, 0.1)
	first, err := New(pretend(t, s), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range frames {
		first.Frame(&frames[i])
	}
	barley, maize, north := "barley", "maize", "North"
	left := publish.Setup{Crop: &barley, Field: &north}
	c, err := New(pretend(t, s), Outputs{})
	if err != nil {
		t.Fatal(err)
	}
	taken := false
	for i := range frames {
		c.Frame(&frames[i])
		if i == 20 {
			if c.ShiftNumber() != 0 {
				t.Fatal("it cuts already")
			}
			over, ok, err := c.RememberShift(first.ShiftMemory(), 1, 30*time.Minute)
			taken = over == nil && ok && err == nil && c.ShiftNumber() == 1
		}
		if i == 40 && c.Remember(first.Memory(), left, 30*time.Minute) {
			t.Error("it is never too late")
		}
	}
	if now := c.SetupNow(); now.Crop != barley || now.Field != north {
		t.Errorf("after the first cut: %s, %s", now.Crop, now.Field)
	}
	if sum := c.Shift(); !taken || sum.Runs != 2 || sum.Total.Times.UnheardS < 1800 || sum.Total.Times.UnheardS > 1860 {
		t.Errorf("taken %t, %+v", taken, sum)
	}

	// The set-up is taken up too, and what was set up meanwhile is newer.
	if c, err = New(pretend(t, s), Outputs{}); err != nil {
		t.Fatal(err)
	}
	for i := range frames[:40] {
		if c.Frame(&frames[i]); i == 10 {
			c.Tell(frames[i].Stamp, publish.Input{Setup: &publish.Setup{Crop: &maize}}, nil)
		}
	}
	if !c.Remember(first.Memory(), left, 30*time.Minute) {
		t.Error("it came too late")
	}
	if now := c.SetupNow(); now.Crop != maize || now.Field != north {
		t.Errorf("%s, %s", now.Crop, now.Field)
	}
}
