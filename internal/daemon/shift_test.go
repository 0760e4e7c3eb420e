package daemon

import (
	"context"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/virtual"
	"chaffinch/detect/machine"
	"chaffinch/store"
	"chaffinch/store/history"
)

// day is a make-believe harvest of 12 minutes that begins in the crop at a time.
func (r *rig) day(at time.Time) {
	scenario := virtual.DemoFor(0.2)
	scenario.Start = at.Format(time.RFC3339)
	r.source = NewPretend(virtual.New(scenario, 1), at, 400, Clock{})
}

func (r *rig) shifts() (all []history.Shift, rows map[uint32]int, cutting map[uint32]int) {
	r.t.Helper()
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		r.t.Fatal(err)
	}
	defer s.Close()
	if all, err = history.Shifts(s); err != nil {
		r.t.Fatal(err)
	}
	rows, cutting = map[uint32]int{}, map[uint32]int{}
	for row, err := range history.Rows(s, history.Span{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		rows[row.Shift]++
		if row.Activity == machine.Cutting {
			cutting[row.Shift]++
		}
	}
	return all, rows, cutting
}

// Three runs: the second twenty minutes after the first goes on with its shift; the
// third, the next day, ends it and begins another.
func TestShiftsOverRestarts(t *testing.T) {
	r := newRig(t, 400, nil)
	morning := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	for _, at := range []time.Duration{0, 32 * time.Minute, 24 * time.Hour} {
		r.day(morning.Add(at))
		if err := r.run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	all, rows, cutting := r.shifts()
	if len(all) != 2 {
		t.Fatalf("%d shifts", len(all))
	}
	first, second := all[0].Told, all[1].Told
	if first.Phase != "ended" || first.Shift.Number != 1 || !first.Shift.Over || first.Shift.Runs != 2 {
		t.Errorf("the first: %s, %+v", first.Phase, first.Shift)
	}
	if second.Phase != "began" || second.Shift.Number != 2 || second.Shift.Over {
		t.Errorf("the second: %s, %+v", second.Phase, second.Shift)
	}
	// The beginning is dated in another run than the end.
	if text := r.shiftPayload(1); !strings.Contains(text, `"began":"2026-07-01T10:00:0`) || !strings.Contains(text, `"ended":"2026-07-01T10:43:`) {
		t.Errorf("dates in %.300s", text)
	}
	times := first.Shift.Total.Times
	if got := float64(cutting[1]); got < 900 || times.CuttingS < 0.98*got || times.CuttingS > 1.02*got {
		t.Errorf("%.0f s of cutting in the record, %d rows of it; %v", times.CuttingS, cutting[1], rows)
	}
	// Twenty minutes between the runs; this clock goes 400 times as fast while the
	// second one starts.
	if times.UnheardS < 1195 || times.UnheardS > 4000 {
		t.Errorf("%.0f s not heard", times.UnheardS)
	}
	if cutting[0] > 0 || rows[2] == 0 {
		t.Errorf("rows by shift %v, of them cutting %v", rows, cutting)
	}
}

func (r *rig) shiftPayload(number int) string {
	r.t.Helper()
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		r.t.Fatal(err)
	}
	defer s.Close()
	text := ""
	for rec, err := range s.All(store.Shift, store.Key{}) {
		if err != nil {
			r.t.Fatal(err)
		}
		if rec.ID == "shift-"+string(rune('0'+number)) {
			text = string(rec.Payload)
		}
	}
	return text
}

// Stopped in the middle, no row is lost.
func TestAStopLosesNoRow(t *testing.T) {
	r := newRig(t, 400, nil)
	r.day(time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC))
	ctx, stop := context.WithTimeout(t.Context(), 900*time.Millisecond)
	defer stop()
	if err := r.run(ctx); err != nil {
		t.Fatal(err)
	}
	all, rows, _ := r.shifts()
	if len(all) != 1 || rows[1] < 30 {
		t.Fatalf("%d shifts, rows %v", len(all), rows)
	}
	s, err := store.Open(r.cfg.Store.Path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var last history.Row
	for row, err := range history.Rows(s, history.Span{}) {
		if err != nil {
			t.Fatal(err)
		}
		if last.At != 0 && row.At.Sub(last.At) != history.Every {
			t.Errorf("from %v to %v", last.At, row.At)
		}
		last = *row
	}
}
