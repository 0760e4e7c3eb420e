package shift

import (
	"encoding/json"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

// A restart in the middle changes nothing but the count of runs.
func TestAShiftGoesOnAfterARestart(t *testing.T) {
	work := func(d *driver, i int) {
		y := float64(i) * 5 // half of it is cut ground
		d.drive(machine.Turning, 0, y, nil)
		d.drive(machine.Cutting, 300, y, map[signal.ID]float64{signal.GrainFlow.ID: 30, signal.FuelRate.ID: 50})
		d.acc.Event(&detect.Event{Kind: "engine-hot", Phase: detect.Raised})
		d.acc.Event(&detect.Event{Kind: "engine-hot", Phase: detect.Ended, Began: 0, Ended: 5e9})
	}
	whole, broken := newDriver(ownWidth(10)), newDriver(ownWidth(10))
	for i := range 8 {
		work(whole, i)
		work(broken, i)
		text, err := json.Marshal(broken.acc.Memory())
		if err != nil {
			t.Fatal(err)
		}
		var m Memory
		if err := json.Unmarshal(text, &m); err != nil {
			t.Fatal(err)
		}
		acc := New(DefaultSettings(), ownWidth(10))
		acc.Boot = uint64(i + 2)
		if over, err := acc.Remember(m, 10*time.Minute); over != nil || err != nil {
			t.Fatal(over, err)
		}
		broken.acc = acc
		broken.state = machine.State{}
	}
	a, b := whole.acc.Summary(), broken.acc.Summary()
	if b.Number != 1 || b.Runs != 9 || len(b.Fields) != 1 {
		t.Errorf("%+v", b)
	}
	within(t, "area", b.Total.AreaHa, a.Total.AreaHa.Value, 0.01) // a piece of a pass is lost each time
	within(t, "worked", b.Total.WorkedHa, a.Total.WorkedHa.Value, 1e-9)
	// A value of before is forgotten: flow and fuel stand still for seconds at each.
	within(t, "grain", b.Total.GrainT, a.Total.GrainT.Value, 0.04)
	within(t, "fuel", b.Total.FuelL, a.Total.FuelL.Value, 0.02)
	if b.Total.Times.CuttingS != a.Total.Times.CuttingS || b.Total.Times.UnheardS != 8*600 {
		t.Errorf("times %+v, without restarts %+v", b.Total.Times, a.Total.Times)
	}
	if len(b.Alarms) != 1 || b.Alarms[0] != (Count{"engine-hot", 8, 40}) {
		t.Errorf("alarms %+v", b.Alarms)
	}
}

func TestAShiftThatWasOverInTheMeantime(t *testing.T) {
	for _, c := range []struct {
		away time.Duration
		over bool
	}{{-1, false}, {0, false}, {110 * time.Minute, false}, {130 * time.Minute, true}, {12 * time.Hour, true}} {
		d := newDriver(ownWidth(10))
		d.drive(machine.Cutting, 300, 0, nil)
		d.stand(machine.Off, 5*time.Minute)
		acc := New(DefaultSettings(), ownWidth(10))
		over, err := acc.Remember(d.acc.Memory(), c.away)
		if err != nil || (over != nil) != c.over || (acc.Number() == 0) != c.over || acc.LastNumber() != 1 {
			t.Errorf("away %v: over %v, number %d, %v", c.away, over, acc.Number(), err)
		}
		if c.away < 0 { // the clock is set later
			acc.Away(12 * time.Hour)
			d.acc, d.state.Now = acc, 0
			d.stand(machine.Idle, time.Second)
			if len(d.over) != 1 || d.over[0].Total.Times.TotalS != 150 {
				t.Errorf("not over: %v", d.phases)
			}
		}
	}
}

func TestMemoriesThatCannotBe(t *testing.T) {
	for _, text := range []string{
		`{"version":9}`, `{"version":1,"open":{"Number":0}}`, `{"version":1,"open":{"Number":3,"Now":2}}`,
		`{"version":1,"open":{"Number":3,"Now":0,"Fields":[{"Number":2}]}}`, `{"version":1,"open":{"Number":3,"Now":0,"Fields":[{"Number":1,"Lat0":1e9}]}}`,
	} {
		var m Memory
		if err := json.Unmarshal([]byte(text), &m); err != nil {
			t.Fatal(err)
		}
		if _, err := New(DefaultSettings(), Facts{}).Remember(m, 0); err == nil {
			t.Errorf("%s was taken up", text)
		}
	}
	// A chart that is broken costs the overlap, not the shift.
	d := newDriver(ownWidth(10))
	d.drive(machine.Cutting, 300, 0, nil)
	m := d.acc.Memory()
	m.Chart = m.Chart[:len(m.Chart)/2]
	acc := New(DefaultSettings(), ownWidth(10))
	if _, err := acc.Remember(m, 0); err != nil || acc.Number() != 1 || !acc.Summary().Total.AreaHa.Estimated {
		t.Errorf("%v, shift %d, %+v", err, acc.Number(), acc.Summary())
	}
}

// What was cut before a map was lost is not on it after any further restart either.
func TestALostMapStaysLost(t *testing.T) {
	d := newDriver(ownWidth(10))
	d.drive(machine.Cutting, 300, 0, nil)
	for n := range 2 {
		m := d.acc.Memory()
		if n == 0 {
			m.Chart = m.Chart[:len(m.Chart)/2]
		}
		acc := New(DefaultSettings(), ownWidth(10))
		if _, err := acc.Remember(m, 0); err != nil {
			t.Fatal(err)
		}
		d.acc, d.state.Now = acc, 0
		d.drive(machine.Cutting, 300*float64(n+2), 0, nil)
		if area := d.acc.Summary().Total.AreaHa; area == nil || !area.Estimated {
			t.Errorf("after %d restarts: %+v", n+1, area)
		}
	}
}

// More fields than a shift may have are part of the last.
func TestFieldsAreBounded(t *testing.T) {
	d := newDriver(ownWidth(10))
	for i := range maxFields + 3 {
		x := 600 * float64(i)
		d.drive(machine.Travelling, x, 0, nil)
		d.drive(machine.Cutting, x+60, 0, nil)
	}
	s := d.acc.Summary()
	if len(s.Fields) != maxFields {
		t.Errorf("%d fields", len(s.Fields))
	}
	within(t, "worked", s.Total.WorkedHa, float64(maxFields+3)*60*10/1e4, 0.01)
}

// Nobody knows what was cut between two positions that are far apart in time.
func TestAGapOfPositionsIsNotCharted(t *testing.T) {
	d := newDriver(ownWidth(10))
	d.drive(machine.Cutting, 30, 0, nil)
	d.x = 60
	d.state.Now = d.state.Now.Add(20 * time.Second)
	d.drive(machine.Cutting, 90, 0, nil)
	if got := d.acc.open.Tail.ChartedM + d.acc.open.Sums.ChartedM; got < 50 || got > 62 {
		t.Errorf("%v m of 60 are on the map", got)
	}
}
