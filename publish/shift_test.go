package publish

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/detect/shift"
	"chaffinch/store"
)

func shiftOf(fields int) *shift.Summary {
	amount := func(v float64) *shift.Amount {
		return &shift.Amount{Value: v, Basis: "grain flow, and for 12 % of cutting feed estimate and a MOG ratio of 0.8; map of cut ground, each square metre once", KnownPct: 99.96}
	}
	total := shift.Totals{
		AreaHa: amount(12.34567), WorkedHa: amount(13), GrainT: amount(88.1), StandardT: amount(88), FeedT: amount(150), FuelL: amount(210),
		CutKm: amount(14), DrivenKm: amount(20), HaPerHCutting: amount(4), HaPerHField: amount(3), TPerHCutting: amount(25), TPerHField: amount(20),
		YieldTHa: amount(7), LPerH: amount(60), LPerHa: amount(17), LPerT: amount(2.4), FieldEfficiencyPct: amount(80), MoisturePct: amount(14.5),
	}
	for range 9 {
		total.Levels = append(total.Levels, shift.Level{Signal: signal.SeparationLoss.ID.String(), Mean: 33.333333, Max: 90, KnownS: 7200})
	}
	s := &shift.Summary{Number: 12, Machine: "red", Crop: "wheat", Began: shift.Moment{Boot: 3, At: 1e9}, Ended: shift.Moment{Boot: 4, At: 2e9}, Over: true, Runs: 2, Total: total}
	for i := range fields {
		s.Fields = append(s.Fields, shift.Field{Number: i + 1, Total: total})
	}
	return s
}

func TestTheShiftMessage(t *testing.T) {
	date := func(m shift.Moment) (time.Time, bool) {
		return time.Date(2026, 7, int(m.Boot), 10, 0, int(m.At.Seconds()), 0, time.UTC), m.Boot == 3
	}
	payload, err := AppendShiftMessage(nil, 7, 5e9, shift.PhaseEnded, shiftOf(1), date, Clock{Boot: 4})
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(payload, &m); err != nil {
		t.Fatal(err)
	}
	if m["id"] != "m4-7" || m["phase"] != "ended" || m["began"] != "2026-07-03T10:00:01.000Z" || m["ended"] != nil || m["at"] != nil {
		t.Errorf("%.400s", payload)
	}
	total := m["shift"].(map[string]any)["total"].(map[string]any)
	if area := total["area_ha"].(map[string]any); area["value"] != 12.3457 || area["known_pct"] != 100.0 {
		t.Errorf("area %v", area)
	}
	if total["loss_kg"] != nil {
		t.Errorf("a loss that nobody counted: %v", total["loss_kg"])
	}
	told, err := shift.Parse(payload)
	if err != nil || told.Phase != shift.PhaseEnded || told.Shift.Number != 12 || len(told.Shift.Fields) != 1 || told.Shift.Ended != (shift.Moment{Boot: 4, At: 2e9}) {
		t.Errorf("%v, %+v", err, told)
	}
}

// However many fields there are, the message can be stored and sent.
func TestAShiftOfManyFieldsFits(t *testing.T) {
	for _, fields := range []int{0, 1, 10, 40} {
		payload, err := AppendShiftMessage(nil, 1, 0, shift.PhaseEnded, shiftOf(fields), func(shift.Moment) (time.Time, bool) { return time.Time{}, false }, Clock{})
		if err != nil || len(payload) > store.MaxPayload {
			t.Errorf("%d fields: %d bytes, %v", fields, len(payload), err)
		}
		told, err := shift.Parse(payload)
		if err != nil || len(told.Shift.Fields) != fields {
			t.Errorf("%d fields: %d came back, %v", fields, len(told.Shift.Fields), err)
		}
		for _, f := range told.Shift.Fields {
			if f.Total.AreaHa == nil || f.Total.GrainT == nil {
				t.Errorf("%d fields: field %d lost its sums", fields, f.Number)
			}
		}
	}
}

// The longest there can be: names as long as they may be, digits as many as there are,
// counts on the ground, alarms of all kinds.
func TestTheLongestShiftFits(t *testing.T) {
	for _, c := range []struct {
		name   string
		fields int // of 40 that stay
	}{{"Hill 17", 30}, {strings.Repeat("<", longestField), 20}} {
		s := longest(c.name)
		payload, err := AppendShiftMessage(nil, 1, 0, shift.PhaseEnded, s, func(shift.Moment) (time.Time, bool) { return time.Time{}, false }, Clock{})
		if err != nil || len(payload) > store.MaxPayload {
			t.Errorf("%s: %d bytes, %v", c.name, len(payload), err)
		}
		told, err := shift.Parse(payload)
		if err != nil || len(told.Shift.Fields) < c.fields || told.Shift.Total.AreaHa == nil {
			t.Errorf("%s: %v, %d fields", c.name, err, len(told.Shift.Fields))
		}
		for i, f := range told.Shift.Fields {
			if f.Number != i+1 || f.Name != c.name || f.Total.AreaHa == nil || f.Total.Times.CuttingS == 0 {
				t.Errorf("%s: %+v", c.name, f)
			}
		}
	}
}

func longest(name string) *shift.Summary {
	s := shiftOf(40)
	third, tenth := 10000.0/3, 12345.6
	times := shift.Times{CuttingS: tenth, TurningS: tenth, UnloadingS: tenth, WaitingS: tenth, BlockedS: tenth, IdleS: tenth, TravellingS: tenth,
		OffS: tenth, UnknownS: tenth, OnTheGoS: tenth, TotalS: tenth, FieldS: tenth, RoadS: tenth, EngineS: tenth, UnheardS: tenth}
	at := shift.Moment{Boot: 1<<48 - 1, At: 123_456_789_012_345}
	for i := range s.Fields {
		f := &s.Fields[i]
		f.Name, f.Began, f.Ended, f.Located = name, at, at, true
		f.South, f.West, f.North, f.East = -51.23456789012345, -110.1234567890123, -51.1234567890123, -110.0123456789012
		f.Total.Times = times
	}
	s.Total.Times = times
	for range shift.MaxGround {
		s.Ground = append(s.Ground, shift.GroundCount{At: at, Field: 40, HeaderKgHa: &third, MachineKgHa: &third, YieldKgHa: &third, Kernels: 12345, Enough: true})
	}
	for _, k := range detect.Kinds() {
		s.Alarms = append(s.Alarms, shift.Count{Name: k.Name, Count: 1000, ForS: third})
		s.Settings = append(s.Settings, shift.Count{Name: k.Name, Count: 1000})
	}
	return s
}

// What the accumulator makes is what comes back.
func TestARealShiftComesBack(t *testing.T) {
	acc := shift.New(shift.DefaultSettings(), shift.Facts{Machine: machine.DefaultSettings()})
	s := machine.State{Activity: machine.Cutting, Engine: machine.Engine{Running: machine.Yes}, Speed: machine.Speed{Value: 5, Known: true}}
	for range 2000 {
		s.Now = s.Now.Add(machine.Period)
		acc.Step(&s)
	}
	want := acc.Finish()
	payload, err := AppendShiftMessage(nil, 1, s.Now, shift.PhaseEnded, want, func(shift.Moment) (time.Time, bool) { return time.Time{}, false }, Clock{})
	if err != nil {
		t.Fatal(err)
	}
	told, err := shift.Parse(payload)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprintf("%+v", told.Shift.Total.Times), fmt.Sprintf("%+v", want.Total.Times); got != want {
		t.Errorf("times %s, want %s", got, want)
	}
}
