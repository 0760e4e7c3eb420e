package decode

import (
	"math"
	"testing"

	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

func TestMeasurementsOnlyFromClients(t *testing.T) {
	b := newBus(t, Settings{})
	b.value(247, 135, 1, processdata.MassFlow, 8445568)
	b.wantQuality(signal.GrainFlow.ID, signal.Missing) // a set point of what is probably the task controller
	b.value(135, 247, 1, processdata.MassFlow, 8445568)
	b.want(signal.GrainFlow.ID, 30.4040448, "DDI 87")
	// The task controller is the one that says so.
	b.frame("18CBFF20", "FEFFFFFF010000FF")
	b.value(135, 247, 1, processdata.MassFlow, 1)
	b.want(signal.GrainFlow.ID, 30.4040448, "DDI 87")
	b.value(32, 135, 1, processdata.MassFlow, 1)
	b.want(signal.GrainFlow.ID, 30.4040448, "DDI 87")
	b.frame("18CBFF21", "FEFFFFFF010000FF") // a second task controller
	b.value(32, 33, 1, processdata.ConcaveClearance, 25)
	b.wantQuality(signal.Concave.ID, signal.Missing)
	b.value(135, 32, 1, processdata.MassFlow, 1000000)
	b.want(signal.GrainFlow.ID, 3.6, "DDI 87")
}

func TestMeasuredSignals(t *testing.T) {
	for _, c := range []struct {
		ddi   uint16
		raw   int32
		id    signal.ID
		value float64
		q     signal.Quality
	}{
		{62, 120, signal.HeaderHeight.ID, 120, signal.Good},
		{67, 9150, signal.CutWidth.ID, 9.15, signal.Good},
		{87, 8445568, signal.GrainFlow.ID, 30.4040448, signal.Good},
		{98, 15000, signal.CropLoss.ID, 1.5, signal.Good},
		{99, 140076, signal.GrainMoisture.ID, 14.0076, signal.Good},
		{141, 1, signal.HeaderWorking.ID, 1, signal.Good},
		{141, 2, signal.HeaderWorking.ID, 0, signal.SensorError},
		{141, 3, signal.HeaderWorking.ID, 0, signal.NotAvailable},
		{141, 7, signal.HeaderWorking.ID, 0, signal.OutOfRange},
		{237, 1, signal.HeaderWorking.ID, 1, signal.Good},
		{237, 0, signal.HeaderWorking.ID, 0, signal.Good},
		{240, 769, signal.Unloading.ID, 1, signal.Good},
		{240, 0x100, signal.Unloading.ID, 0, signal.Good},
		{240, 3, signal.Unloading.ID, 0, signal.NotAvailable},
		{243, 12, signal.LowerSieve.ID, 12, signal.Good},
		{247, 18, signal.UpperSieve.ID, 18, signal.Good},
		{251, 25, signal.Concave.ID, 25, signal.Good},
		{251, -1, signal.Concave.ID, 0, signal.OutOfRange},
		{255, 15000, signal.FanSpeed.ID, 900, signal.Good},
		{149, 12000, signal.FuelRate.ID, 43.2, signal.Good},
		{397, 1500, signal.GroundSpeed.ID, 5.4, signal.Good},
		{484, 20000000, signal.EngineSpeed.ID, 2000, signal.Good},
		{502, 85000, signal.EngineTorque.ID, 85, signal.Good},
	} {
		b := newBus(t, Settings{})
		b.value(135, 247, 1, c.ddi, c.raw)
		r := b.table.Get(c.id)
		if r.Quality != c.q || math.Abs(r.Value-c.value) > 1e-9 || !r.OnChange {
			t.Errorf("DDI %d = %d: %s %v (%v, on change %v), want %v (%v)", c.ddi, c.raw, c.id, r.Value, r.Quality, r.OnChange, c.value, c.q)
		}
	}
}

// The drum of a forage chopper (DDI 331) and the header's speed (DDI 327) are
// no rotor, and revolutions (DDI 390) only where a separator gives them.
func TestRotorNeedsItsElement(t *testing.T) {
	b := newBus(t, Settings{})
	b.value(135, 247, 7, 331, 20000)
	b.value(135, 247, 7, 327, 4400)
	b.value(135, 247, 7, 390, 8200000)
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)

	element := int64(7)
	b = newBus(t, Settings{RotorElement: &element})
	b.value(135, 247, 4, 390, 3000000)
	b.wantQuality(signal.RotorSpeed.ID, signal.Missing)
	b.value(135, 247, 7, 390, 8200000)
	b.want(signal.RotorSpeed.ID, 820, "DDI 390")
}

func pool() *processdata.Pool {
	separator := int32(processdata.SeparatorFunction)
	return &processdata.Pool{
		Elements: []processdata.Element{
			{ID: 1, Type: processdata.FunctionElement, Number: 7, Children: []uint16{10, 11}},
			{ID: 2, Type: processdata.SectionElement, Number: 8, Children: []uint16{12}},
			{ID: 3, Type: processdata.SectionElement, Number: 9, Children: []uint16{13}},
		},
		Properties:  []processdata.Property{{ID: 10, DDI: processdata.FunctionOrTechnique, Value: separator}},
		ProcessData: []processdata.ProcessData{{ID: 11, DDI: 390}, {ID: 12, DDI: 67}, {ID: 13, DDI: 67}},
	}
}

func TestPoolTellsElementsApart(t *testing.T) {
	b := newBus(t, Settings{})
	b.claims(135, 0xA00E810000000001)
	b.keep(b.SetPool(0, 135, pool(), b.now))
	b.value(135, 247, 7, 390, 8200000)
	b.want(signal.RotorSpeed.ID, 820, "DDI 390")
	b.value(135, 247, 8, 67, 3000)
	b.wantQuality(signal.CutWidth.ID, signal.Missing) // one section of two
	b.value(135, 247, 9, 67, 4000)
	b.want(signal.CutWidth.ID, 7, "DDI 67")
	b.value(135, 247, 9, 67, 0) // a section is lifted
	b.want(signal.CutWidth.ID, 3, "DDI 67")
	// The pool stays with its node when that takes another address.
	b.claims(140, 0xA00E810000000001)
	b.value(140, 247, 7, 390, 8300000)
	b.want(signal.RotorSpeed.ID, 830, "DDI 390")

	fixed := &processdata.Pool{
		Elements:   []processdata.Element{{ID: 1, Type: processdata.FunctionElement, Number: 1, Children: []uint16{10}}},
		Properties: []processdata.Property{{ID: 10, DDI: 67, Value: 9150}},
	}
	b = newBus(t, Settings{})
	b.keep(b.SetPool(0, 135, fixed, b.now))
	b.want(signal.CutWidth.ID, 9.15, "DDI 67")
}

// A width that was heard before the pool holds if the pool names its element.
func TestAWidthBeforeThePool(t *testing.T) {
	for element, want := range map[uint16]signal.Quality{4: signal.Good, 5: signal.NotAvailable} {
		b := newBus(t, Settings{})
		b.value(135, 247, 4, 67, 9000)
		b.want(signal.CutWidth.ID, 9, "DDI 67")
		b.keep(b.SetPool(0, 135, &processdata.Pool{
			Elements:    []processdata.Element{{ID: 1, Type: processdata.FunctionElement, Number: element, Children: []uint16{10}}},
			ProcessData: []processdata.ProcessData{{ID: 10, DDI: 67}},
		}, b.now))
		b.wantQuality(signal.CutWidth.ID, want)
	}
}

func TestWithoutPoolTheLowestElementCounts(t *testing.T) {
	b := newBus(t, Settings{})
	b.value(135, 247, 3, 67, 4500)
	b.value(135, 247, 1, 67, 9000)
	b.want(signal.CutWidth.ID, 9, "DDI 67")
	b.value(135, 247, 3, 67, 4500)
	b.want(signal.CutWidth.ID, 9, "DDI 67")
}

func TestThreshingByItsCounter(t *testing.T) {
	b := newBus(t, Settings{})
	report := func(at float64, seconds int32) {
		b.now = signal.Instant(at * 1e9)
		b.value(135, 247, 1, processdata.ThresherEngagedTime, seconds)
	}
	report(0, 500)
	b.wantQuality(signal.ThreshingEngaged.ID, signal.Missing) // one report says nothing
	report(1, 501)
	b.want(signal.ThreshingEngaged.ID, 1, "DDI 236")
	report(2, 501)
	report(4, 501)
	b.want(signal.ThreshingEngaged.ID, 1, "DDI 236") // stands for 3 s: not longer
	report(4.1, 501)
	b.want(signal.ThreshingEngaged.ID, 0, "DDI 236")
	report(5, 502)
	b.want(signal.ThreshingEngaged.ID, 1, "DDI 236")
	report(6, 3) // another task
	report(7, 4)
	b.want(signal.ThreshingEngaged.ID, 1, "DDI 236")
	report(10.5, 7)
	b.want(signal.ThreshingEngaged.ID, 1, "DDI 236")
	if b.table.Get(signal.ThreshingEngaged.ID).OnChange {
		t.Error("without reports nobody knows whether it still rises")
	}
	// Standing from the beginning.
	b = newBus(t, Settings{})
	report(0, 500)
	report(2, 500)
	b.wantQuality(signal.ThreshingEngaged.ID, signal.Missing)
	report(4, 500)
	b.want(signal.ThreshingEngaged.ID, 0, "DDI 236")
}

func TestOnChangeValuesHoldWhileTheirSenderIsHeard(t *testing.T) {
	b := newBus(t, Settings{})
	b.value(135, 247, 1, 251, 25)
	from := b.table.Get(signal.Concave.ID).From
	b.now = 100 * second
	b.frame("18CBF787", "FFFFFFFF01000000") // the client's task message
	if b.LastHeard(from) != b.now {
		t.Errorf("last heard at %d", b.LastHeard(from))
	}
	if b.LastHeard(signal.Source{Address: 9}) != signal.Never {
		t.Error("address 9 was not heard")
	}
	// Another client with the same value waits: the first is not stale.
	b.value(136, 247, 1, 251, 30)
	b.want(signal.Concave.ID, 25, "DDI 251")
	b.now += 11 * second
	b.value(136, 247, 1, 251, 30)
	b.want(signal.Concave.ID, 30, "DDI 251")
}

func TestSpeedThatItsSenderCallsSimulated(t *testing.T) {
	b := newBus(t, Settings{})
	b.value(135, 247, 1, processdata.SpeedSource, processdata.SpeedSimulated)
	b.value(135, 247, 1, processdata.ActualSpeed, 1500)
	b.wantQuality(signal.GroundSpeed.ID, signal.NotAvailable)
	b.value(135, 247, 1, processdata.SpeedSource, 1)
	b.value(135, 247, 1, processdata.ActualSpeed, 1500)
	b.want(signal.GroundSpeed.ID, 5.4, "DDI 397")
}
