package shift

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// activities is how many activities there are.
const activities = int(machine.Blocked) + 1

// stepS is the length of a step in seconds.
const stepS = float64(machine.Period) / float64(time.Second)

// levels are the signals of which mean and maximum are kept.
var levels = [...]signal.ID{
	signal.GroundSpeed.ID, signal.EngineLoad.ID, signal.RotorSpeed.ID,
	signal.SeparationLoss.ID, signal.CleaningLoss.ID, signal.CropLoss.ID, signal.Returns.ID,
	signal.BrokenGrain.ID, signal.Trash.ID,
}

// Sums are what is added up at each step. They are exported, and their fields are,
// only so that they can be stored. Times are counts of steps.
type Sums struct {
	Steps   [activities]int64
	Road    int64 // travelling outside what was cut
	OnTheGo int64 // cutting and unloading
	Engine  int64 // engine running

	CutM, DrivenM float64
	Moving        int64 // activity that moves
	SpeedKnown    int64 // of these, steps with a known speed

	WorkedM2   float64
	WidthKnown int64 // cutting, with a width and a speed
	WidthTold  int64 // of these, with a width told by the machine
	CoveredM2  float64
	ChartedM   float64 // distance cut that is on the map

	FlowT      float64 // from grain flow
	FlowKnown  int64   // cutting, with a grain flow
	GuessT     float64 // grain, where only the feed was known
	GuessKnown int64   // cutting, so
	FeedT      float64
	FeedKnown  int64 // cutting, with a feed

	FuelL     float64
	FuelKnown int64 // engine running, with a fuel rate

	MoistT             float64 // tonnes with a moisture
	MoistPctT          float64 // moisture times tonnes
	MoistN             int64   // steps of cutting with a moisture
	MoistPct           float64 // its sum
	MoistMin, MoistMax float64

	LevelSum [len(levels)]float64
	LevelMax [len(levels)]float64
	LevelN   [len(levels)]int64

	FullSum float64
	FullN   int64

	UnheardS float64
}

// add takes up what another stretch of time has summed up.
func (s *Sums) add(o *Sums) {
	for i := range s.Steps {
		s.Steps[i] += o.Steps[i]
	}
	s.Road += o.Road
	s.OnTheGo += o.OnTheGo
	s.Engine += o.Engine
	s.CutM += o.CutM
	s.DrivenM += o.DrivenM
	s.Moving += o.Moving
	s.SpeedKnown += o.SpeedKnown
	s.WorkedM2 += o.WorkedM2
	s.WidthKnown += o.WidthKnown
	s.WidthTold += o.WidthTold
	s.CoveredM2 += o.CoveredM2
	s.ChartedM += o.ChartedM
	s.FlowT += o.FlowT
	s.FlowKnown += o.FlowKnown
	s.GuessT += o.GuessT
	s.GuessKnown += o.GuessKnown
	s.FeedT += o.FeedT
	s.FeedKnown += o.FeedKnown
	s.FuelL += o.FuelL
	s.FuelKnown += o.FuelKnown
	if o.MoistN > 0 {
		if s.MoistN == 0 {
			s.MoistMin, s.MoistMax = o.MoistMin, o.MoistMax
		}
		s.MoistMin, s.MoistMax = min(s.MoistMin, o.MoistMin), max(s.MoistMax, o.MoistMax)
	}
	s.MoistT += o.MoistT
	s.MoistPctT += o.MoistPctT
	s.MoistN += o.MoistN
	s.MoistPct += o.MoistPct
	for i := range levels {
		s.LevelSum[i] += o.LevelSum[i]
		s.LevelMax[i] = max(s.LevelMax[i], o.LevelMax[i])
		s.LevelN[i] += o.LevelN[i]
	}
	s.FullSum += o.FullSum
	s.FullN += o.FullN
	s.UnheardS += o.UnheardS
}

// moment is what one step adds, worked out once for shift and field.
type moment struct {
	state         *machine.State
	road, onTheGo bool
	speed         float64 // km/h
	speedKnown    bool
	width         float64 // m
	widthKnown    bool
	widthTold     bool
	flow          float64 // t/h
	flowKnown     bool
	guess         float64 // t/h of grain, where the flow is not known
	guessKnown    bool
	fuel          float64 // L/h
	fuelKnown     bool
	moist         float64
	moistKnown    bool
	newM2         float64 // ground cut for the first time
	chartedM      float64 // on this way
}

// take adds a step.
func (s *Sums) take(m *moment) {
	st := m.state
	cutting := st.Activity == machine.Cutting
	if int(st.Activity) < activities {
		s.Steps[st.Activity]++
	}
	count(&s.Road, m.road)
	count(&s.OnTheGo, m.onTheGo)
	running := st.Engine.Running == machine.Yes
	count(&s.Engine, running)
	moving := cutting || st.Activity == machine.Turning || st.Activity == machine.Travelling
	count(&s.Moving, moving)
	if m.speedKnown {
		way := m.speed / 3.6 * stepS
		s.DrivenM += way
		count(&s.SpeedKnown, moving)
		if cutting {
			s.CutM += way
		}
		if cutting && m.widthKnown {
			s.WorkedM2 += way * m.width
			s.WidthKnown++
			count(&s.WidthTold, m.widthTold)
		}
	}
	s.CoveredM2 += m.newM2
	s.ChartedM += m.chartedM
	if m.flowKnown {
		s.FlowT += m.flow / 3600 * stepS
		count(&s.FlowKnown, cutting)
	}
	if cutting && m.guessKnown {
		s.GuessT += m.guess / 3600 * stepS
		s.GuessKnown++
	}
	if m.fuelKnown {
		s.FuelL += m.fuel / 3600 * stepS
		count(&s.FuelKnown, running)
	}
	if cutting {
		s.takeWork(m)
	}
}

func count(n *int64, is bool) {
	if is {
		*n++
	}
}

// takeWork adds what is of interest only while cutting.
func (s *Sums) takeWork(m *moment) {
	st := m.state
	if st.Feed.Basis != machine.NoFeed {
		s.FeedT += float64(st.Feed.Rate) / 3600 * stepS
		s.FeedKnown++
		if st.Feed.FullnessKnown {
			s.FullSum += float64(st.Feed.Fullness)
			s.FullN++
		}
	}
	if m.moistKnown {
		grain := (m.flow + m.guess) / 3600 * stepS
		s.MoistT += grain
		s.MoistPctT += grain * m.moist
		if s.MoistN == 0 {
			s.MoistMin, s.MoistMax = m.moist, m.moist
		}
		s.MoistMin, s.MoistMax = min(s.MoistMin, m.moist), max(s.MoistMax, m.moist)
		s.MoistN++
		s.MoistPct += m.moist
	}
	for i, id := range levels {
		if v, ok := st.Signals.Fresh(id, st.Now); ok {
			s.LevelSum[i] += v
			s.LevelMax[i] = max(s.LevelMax[i], v)
			s.LevelN[i]++
		}
	}
}
