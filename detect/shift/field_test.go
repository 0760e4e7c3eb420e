package shift

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
)

// driver makes states of a machine that is driven over a plane, ten a second.
type driver struct {
	acc    *Accumulator
	state  machine.State
	x, y   float64 // m east and north of where it began
	phases []string
	over   []*Summary
}

const (
	testLat, testLon = 50.0, 10.0
	testSpeed        = 7.2 // km/h: 2 m/s
)

func newDriver(facts Facts) *driver {
	return &driver{acc: New(DefaultSettings(), facts)}
}

func ownWidth(m float64) Facts {
	f := Facts{Machine: machine.DefaultSettings(), Crop: machine.Crop{Name: "wheat", MOGRatio: 0.8, Moisture: 14}}
	f.Machine.CutWidth = signal.Metre(m)
	return f
}

func (d *driver) set(id signal.ID, v float64) {
	d.state.Signals.Set(id, signal.Reading[float64]{Value: v, At: d.state.Now, Heard: d.state.Now, Quality: signal.Good})
}

// step takes one step of 0.1 s in an activity, with values of signals.
func (d *driver) step(a machine.Activity, values map[signal.ID]float64) {
	d.state.Now = d.state.Now.Add(machine.Period)
	d.state.Activity = a
	d.state.Engine.Running = machine.Yes
	if a == machine.Off {
		d.state.Engine.Running = machine.No
	}
	if d.state.Now%1e9 == 0 {
		d.set(signal.Latitude.ID, testLat+d.y/earthRadiusM*180/math.Pi)
		d.set(signal.Longitude.ID, testLon+d.x/earthRadiusM*180/math.Pi/math.Cos(testLat*math.Pi/180))
	}
	for id, v := range values {
		d.set(id, v)
	}
	phase, s := d.acc.Step(&d.state)
	if phase != Quiet {
		d.phases = append(d.phases, fmt.Sprintf("%v at %.0f s", map[Phase]string{Began: "began", Ended: "ended"}[phase], d.state.Now.Seconds()))
		if s != nil {
			d.over = append(d.over, s)
		}
	}
}

// stand stays where it is.
func (d *driver) stand(a machine.Activity, for_ time.Duration) {
	d.state.Speed = machine.Speed{Known: true}
	for range int(for_ / machine.Period) {
		d.step(a, nil)
	}
}

// drive goes straight to a place, at 2 m/s on land and 10 m/s on a road.
func (d *driver) drive(a machine.Activity, x, y float64, values map[signal.ID]float64) {
	v := 2.0
	if a == machine.Travelling {
		v = 10
	}
	way := math.Hypot(x-d.x, y-d.y)
	n := int(math.Round(way / v * 10))
	x0, y0 := d.x, d.y
	d.state.Speed = machine.Speed{Value: signal.KPH(v * 3.6), Known: true}
	for i := range n {
		part := float64(i+1) / float64(n)
		d.x, d.y = x0+(x-x0)*part, y0+(y-y0)*part
		d.step(a, values)
	}
}

func within(t *testing.T, what string, got *Amount, want, share float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is not known, want %g", what, want)
		return
	}
	if math.Abs(got.Value-want) > share*math.Abs(want) {
		t.Errorf("%s is %g (%s), want %g within %g %%", what, got.Value, got.Basis, want, 100*share)
	}
}

// A rectangle of 400 by 100 m, cut in ten passes that meet: 4 ha. Then its
// headland is driven again with the header down: no more ground, more work.
func TestWhatIsCutTwiceCountsOnce(t *testing.T) {
	d := newDriver(ownWidth(10))
	field := func() {
		for i := range 10 {
			y := float64(i)*10 + 5
			from, to := 0.0, 400.0
			if i%2 == 1 {
				from, to = to, from
			}
			d.drive(machine.Turning, from, y, nil)
			d.drive(machine.Cutting, to, y, nil)
		}
	}
	field()
	s := d.acc.Summary()
	within(t, "area", s.Total.AreaHa, 4, 0.01)
	within(t, "worked", s.Total.WorkedHa, 4, 0.005)
	within(t, "cut", s.Total.CutKm, 4, 0.005)
	d.drive(machine.Turning, 0, 5, nil)
	field()
	s = d.acc.Summary()
	within(t, "area after all was driven twice", s.Total.AreaHa, 4, 0.01)
	within(t, "worked after all was driven twice", s.Total.WorkedHa, 8, 0.005)
	if len(s.Fields) != 1 || s.Total.AreaHa.Estimated {
		t.Errorf("fields %v, area %+v", s.Fields, s.Total.AreaHa)
	}
}

// Whichever way the passes lie, the same ground is found.
func TestAreaDoesNotDependOnTheDirectionOfWork(t *testing.T) {
	for _, degrees := range []float64{0, 17, 45, 90, 133, 270} {
		d := newDriver(ownWidth(9))
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		for i := range 8 {
			y := float64(i) * 9
			from, to := 0.0, 300.0
			if i%2 == 1 {
				from, to = to, from
			}
			d.drive(machine.Turning, from*cos-y*sin, from*sin+y*cos, nil)
			d.drive(machine.Cutting, to*cos-y*sin, to*sin+y*cos, nil)
		}
		within(t, fmt.Sprintf("area of passes at %g degrees", degrees), d.acc.Summary().Total.AreaHa, 300*72/1e4, 0.012)
	}
}

// Passes that overlap by a third of the header: the machine may tell a narrower
// width for it, or not.
func TestOverlapIsTakenOff(t *testing.T) {
	for _, told := range []bool{false, true} {
		d := newDriver(ownWidth(9))
		for i := range 6 {
			values := map[signal.ID]float64{}
			if told {
				values[signal.CutWidth.ID] = 9
				if i > 0 {
					values[signal.CutWidth.ID] = 6
				}
			}
			y := float64(i) * 6
			from, to := 0.0, 300.0
			if i%2 == 1 {
				from, to = to, from
			}
			d.drive(machine.Turning, from, y, nil)
			d.drive(machine.Cutting, to, y, values)
		}
		within(t, fmt.Sprintf("area with the width told %t", told), d.acc.Summary().Total.AreaHa, 300*39/1e4, 0.012)
	}
}

func TestFieldsAreToldApart(t *testing.T) {
	d := newDriver(ownWidth(10))
	cut := func(x, y float64) {
		d.drive(machine.Cutting, x+200, y, nil)
		d.drive(machine.Turning, x+200, y+10, nil)
		d.drive(machine.Cutting, x, y+10, nil)
	}
	cut(0, 0)
	d.drive(machine.Travelling, 2000, 0, nil) // a road
	cut(2000, 0)
	d.drive(machine.Travelling, 2350, 0, nil) // 150 m on: still the same
	cut(2350, 0)
	d.drive(machine.Travelling, 100, 40, nil) // back to the first
	cut(100, 40)
	d.drive(machine.Turning, 900, 0, nil) // far, but it never travelled
	cut(900, 0)
	s := d.acc.Summary()
	if len(s.Fields) != 2 {
		t.Fatalf("%d fields, want 2", len(s.Fields))
	}
	for i, want := range []float64{1.2, 0.8} {
		within(t, fmt.Sprint("area of field ", i+1), s.Fields[i].Total.AreaHa, want, 0.02)
	}
	within(t, "area of the shift", s.Total.AreaHa, 2, 0.02)
	if road := s.Total.Times.RoadS; math.Abs(road-(1800+100+2350)/10) > 60 {
		t.Errorf("road %g s of travelling %g s", road, s.Total.Times.TravellingS)
	}
	if s.Total.Times.FieldS+s.Total.Times.RoadS != s.Total.Times.TotalS {
		t.Errorf("field %g and road %g are not all of %g s", s.Total.Times.FieldS, s.Total.Times.RoadS, s.Total.Times.TotalS)
	}
}

// A shift begins with the first cut, and ends when nothing was cut for two
// hours: with the last cut or unloading, not with the way home.
func TestAShiftEndsWithItsLastWork(t *testing.T) {
	d := newDriver(ownWidth(10))
	d.drive(machine.Travelling, 1000, 0, nil)
	d.drive(machine.Cutting, 1200, 0, map[signal.ID]float64{signal.FuelRate.ID: 36})
	d.stand(machine.Waiting, 100*time.Second)
	d.stand(machine.Unloading, 60*time.Second)
	d.drive(machine.Travelling, 0, 0, map[signal.ID]float64{signal.FuelRate.ID: 36})
	d.stand(machine.Off, 115*time.Minute)
	if len(d.over) != 0 {
		t.Fatalf("over too early: %v", d.phases)
	}
	d.stand(machine.Off, 2*time.Minute)
	if len(d.over) != 1 {
		t.Fatalf("%v", d.phases)
	}
	s := d.over[0]
	times := s.Total.Times
	if s.Number != 1 || !s.Over || times.CuttingS != 100 || times.WaitingS != 100 || times.UnloadingS != 60 || times.TotalS != 260 || times.TravellingS+times.OffS != 0 {
		t.Errorf("%+v", s)
	}
	within(t, "fuel", s.Total.FuelL, 1, 0.03) // the rate stays fresh for two seconds more
	if got, want := s.Ended.At.Sub(s.Began.At), 260*time.Second-machine.Period; got != want {
		t.Errorf("from begin to end %v, want %v", got, want)
	}
	d.drive(machine.Cutting, 100, 0, nil)
	if d.acc.Number() != 2 {
		t.Errorf("the next shift is %d: %v", d.acc.Number(), d.phases)
	}
}

// Grain: from the flow where it is known, else about, from the feed; the mean of
// moisture goes by tonnes. 36 t/h for 100 s is a tonne.
func TestGrainAndWhatItRestsOn(t *testing.T) {
	flow := map[signal.ID]float64{signal.GrainFlow.ID: 36, signal.GrainMoisture.ID: 16}
	dry := map[signal.ID]float64{signal.GrainFlow.ID: 72, signal.GrainMoisture.ID: 13}
	for _, c := range []struct {
		name      string
		drive     func(*driver)
		grain     float64
		estimated bool
		moisture  float64
	}{
		{"flow", func(d *driver) { d.drive(machine.Cutting, 200, 0, flow) }, 1, false, 16},
		{"a wet and a dry part", func(d *driver) {
			d.drive(machine.Cutting, 200, 0, flow)
			d.drive(machine.Cutting, 400, 0, dry)
		}, 3, false, 14},
		{"feed alone: 64.8 t/h of grain and MOG at 0.8 are 36", func(d *driver) {
			d.state.Feed = machine.Feed{Rate: 64.8, Basis: machine.FromPower}
			d.drive(machine.Cutting, 200, 0, nil)
		}, 1, true, 0},
	} {
		d := newDriver(ownWidth(10))
		c.drive(d)
		total := d.acc.Summary().Total
		within(t, c.name+": grain", total.GrainT, c.grain, 0.003)
		if total.GrainT != nil && total.GrainT.Estimated != c.estimated {
			t.Errorf("%s: %+v", c.name, total.GrainT)
		}
		if c.moisture > 0 {
			within(t, c.name+": moisture", total.MoisturePct, c.moisture, 0.003)
		} else if total.MoisturePct != nil {
			t.Errorf("%s: moisture %+v", c.name, total.MoisturePct)
		}
	}
}

func TestWhatIsNotKnownIsNotThere(t *testing.T) {
	d := newDriver(Facts{Machine: machine.DefaultSettings()})
	for range 1000 {
		d.state.Now = d.state.Now.Add(machine.Period)
		d.state.Activity = machine.Cutting
		d.acc.Step(&d.state)
	}
	text, err := json.Marshal(d.acc.Summary().Total)
	if err != nil {
		t.Fatal(err)
	}
	var total map[string]any
	if err := json.Unmarshal(text, &total); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"area_ha", "worked_ha", "grain_t", "standard_t", "feed_t", "fuel_l", "cut_km", "ha_per_h_cutting", "t_per_h_field", "l_per_ha", "l_per_t", "moisture_pct", "loss_kg", "loss_money", "levels", "fullness_pct"} {
		if v, there := total[name]; !there || v != nil {
			t.Errorf("%s is %v (there %t), want null", name, v, there)
		}
	}
}

func TestWhatIsToldIsCounted(t *testing.T) {
	d := newDriver(ownWidth(10))
	d.drive(machine.Cutting, 1000, 0, map[signal.ID]float64{signal.GrainFlow.ID: 30})
	prompt := &advise.Prompt{Closed: advise.ClosedDone}
	for _, n := range []advise.Note{
		{Kind: advise.PromptOpened, Prompt: prompt}, {Kind: advise.PromptClosed, Prompt: prompt},
		{Kind: advise.VerdictGiven, Verdict: &advise.Verdict{Outcome: "better"}},
		{Kind: advise.SettingChanged, Setting: &advise.Change{Lever: "fan_speed"}},
		{Kind: advise.CheckTold, Taken: &advise.CheckTaken{Check: advise.Check{Tank: &advise.TankSample{}}}},
		{Kind: advise.CheckTold, Taken: &advise.CheckTaken{Check: advise.Check{Ground: &advise.GroundCount{
			MachineKgHa: 40, MachineKnown: true, HeaderKgHa: 20, HeaderKnown: true, Kernels: 140, Enough: true}}}},
		{Kind: advise.CheckTold, Taken: &advise.CheckTaken{Check: advise.Check{Ground: &advise.GroundCount{MachineKgHa: 60, MachineKnown: true}}}},
	} {
		d.acc.Note(&n)
	}
	d.acc.Price(200)
	s := d.acc.Summary()
	if got := fmt.Sprint(s.Prompts, s.Verdicts, s.Settings, s.Checks); got != "[{done 1 0} {opened 1 0}] [{better 1 0}] [{fan_speed 1 0}] [{ground 2 0} {tank 1 0}]" {
		t.Errorf("counted %s", got)
	}
	// 1 ha, a mean of 50 kg/ha behind the machine and 20 at the header.
	within(t, "loss", s.Total.LossKg, 70, 0.02)
	within(t, "money", s.Total.LossMoney, 14, 0.02)
}

func TestAStepAllocatesNothing(t *testing.T) {
	d := newDriver(ownWidth(10))
	d.drive(machine.Cutting, 600, 0, map[signal.ID]float64{signal.GrainFlow.ID: 30})
	d.drive(machine.Cutting, 0, 0, nil)
	x, v := 0.0, 2.0
	if n := testing.AllocsPerRun(2000, func() {
		if x += v / 10; x > 590 {
			x = 0
		}
		d.x = x
		d.step(machine.Cutting, nil)
	}); n != 0 {
		t.Errorf("%v allocations a step", n)
	}
}

func BenchmarkStep(b *testing.B) {
	d := newDriver(ownWidth(10))
	b.ReportAllocs()
	for i := range b.N {
		d.x = float64(i%5000) * 0.2
		d.step(machine.Cutting, nil)
	}
}
