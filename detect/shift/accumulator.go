package shift

import (
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Facts are what is known of machine and crop.
type Facts struct {
	Machine machine.Settings
	Crop    machine.Crop
}

// Phase is what happened to the shift at a step.
type Phase uint8

const (
	Quiet Phase = iota // nothing
	Began
	Ended
)

// Accumulator adds up shifts. It is meant for one goroutine.
type Accumulator struct {
	// Boot is the run that the instants belong to.
	Boot uint64

	set   Settings
	facts Facts

	last  uint32   // number of the newest shift
	open  *account // nil between shifts
	chart *chart
	swath swath

	now       signal.Instant
	stepped   bool // now is of this segment
	onTheGo   time.Duration
	price     float64 // of a tonne, as told with a count
	unsure    bool    // how long the program did not run; until the first cut
	fieldName string  // as the operator calls the field he is in
}

// account is an open shift, as it is stored.
type account struct {
	Number   uint32
	Crop     string
	Began    Moment
	Ended    Moment // the last work
	LastWork signal.Instant
	Runs     int

	Sums Sums // up to the last work
	Tail Sums `json:",omitzero"` // since then

	Fields    []fieldAccount
	Now       int  // index of the field in work, or -1
	Travelled bool // since the last cut
	Widest    float64

	Alarms, Prompts, Verdicts, Checks, Settings []Count
	Ground                                      []GroundCount
	// Uncharted: the map of what was cut before a restart is lost.
	Uncharted bool
}

// fieldAccount is a field, as it is stored.
type fieldAccount struct {
	Number     int
	Name       string
	Began      Moment
	Ended      Moment
	Bounds     bounds
	Lat0, Lon0 float64 // origin of its plane
	Sums       Sums
	Tail       Sums `json:",omitzero"`
}

// maxFields bounds the fields of a shift; what comes after is part of the last.
const maxFields = 40

// New makes an accumulator. Settings must be valid.
func New(set Settings, facts Facts) *Accumulator {
	return &Accumulator{set: set, facts: facts, chart: newChart(), now: signal.Never}
}

// SetUp changes what is known of machine and crop.
func (a *Accumulator) SetUp(facts Facts) { a.facts = facts }

// Number is that of the open shift, or 0.
func (a *Accumulator) Number() uint32 {
	if a.open == nil {
		return 0
	}
	return a.open.Number
}

// LastNumber is that of the newest shift there was.
func (a *Accumulator) LastNumber() uint32 { return a.last }

// AtLeast raises the number of the newest shift: the next is over n, and so is one
// that is open. It mends a memory that was lost or came late.
func (a *Accumulator) AtLeast(n uint32) {
	a.last = max(a.last, n)
	if a.open != nil && a.open.Number <= n {
		a.last++
		a.open.Number = a.last
	}
}

// Break tells that the stream of states has a break: a new segment.
func (a *Accumulator) Break() {
	a.stepped = false
	a.swath = swath{}
}

// Silent tells, behind a Break, that the bus was silent for so much longer than event
// time counts: nothing was cut meanwhile.
func (a *Accumulator) Silent(more time.Duration) {
	if a.open == nil || more <= 0 {
		return
	}
	a.open.LastWork = a.open.LastWork.Add(-more)
	a.open.Tail.UnheardS += more.Seconds()
}

// Step takes a state. When a shift began or ended with it, it returns so; the
// summary of one that ended comes with it, and is nil else.
func (a *Accumulator) Step(s *machine.State) (Phase, *Summary) {
	phase := Quiet
	onTheGo := a.stepped && s.Ledger.UnloadingOnTheGo() > a.onTheGo
	a.onTheGo = s.Ledger.UnloadingOnTheGo()
	if !a.stepped && a.now != signal.Never && a.open != nil {
		a.open.Tail.UnheardS += max(0, s.Now.Sub(a.now).Seconds()-stepS)
	}
	a.now, a.stepped = s.Now, true
	if over := a.OverAt(s.Now); over != nil {
		return Ended, over
	}
	if a.open == nil {
		if s.Activity != machine.Cutting {
			return Quiet, nil
		}
		a.begin()
		phase = Began
	}
	a.add(s, onTheGo)
	return phase, nil
}

// OverAt ends the shift if nothing has been cut for too long at an instant, which may
// be one of a silent bus that has no state. It returns the summary then, else nil.
func (a *Accumulator) OverAt(now signal.Instant) *Summary {
	if a.open == nil || now.Sub(a.open.LastWork) <= time.Duration(a.set.EndAfterMin*float64(time.Minute)) {
		return nil
	}
	return a.end()
}

func (a *Accumulator) moment() Moment { return Moment{a.Boot, a.now} }

func (a *Accumulator) begin() {
	a.last++
	a.chart, a.swath = newChart(), swath{}
	a.open = &account{Number: a.last, Crop: a.facts.Crop.Name, Began: a.moment(), Ended: a.moment(), LastWork: a.now, Runs: 1,
		Fields: make([]fieldAccount, 0, maxFields), Now: -1}
}

// end closes the shift with its last work; what was since then is no part of it.
func (a *Accumulator) end() *Summary {
	o := a.open
	o.Tail = Sums{}
	sum := a.summary(o, true)
	a.open, a.chart = nil, newChart()
	return sum
}

// add takes a state into the open shift.
func (a *Accumulator) add(s *machine.State, onTheGo bool) {
	o := a.open
	lat, ok1 := signal.Latitude.Fresh(&s.Signals, s.Now)
	lon, ok2 := signal.Longitude.Fresh(&s.Signals, s.Now)
	located := ok1 && ok2
	cutting := s.Activity == machine.Cutting

	m := moment{state: s, onTheGo: onTheGo && cutting, speed: float64(s.Speed.Value), speedKnown: s.Speed.Known}
	a.measure(&m)
	if cutting {
		a.findField(float64(lat), float64(lon), located)
	} else if s.Activity == machine.Travelling {
		o.Travelled = true
	}
	var f *fieldAccount
	if o.Now >= 0 {
		f = &o.Fields[o.Now]
	}
	if s.Activity == machine.Travelling {
		m.road = f == nil || located && f.Bounds.Known && f.Bounds.away(float64(lat), float64(lon)) > nearM
	}
	if located && f != nil {
		a.follow(&m, f, cutting, float64(lat), float64(lon))
	}

	o.Tail.take(&m)
	if f != nil {
		f.Tail.take(&m)
	}
	if cutting || s.Activity == machine.Unloading {
		a.worked(f, cutting)
	}
}

// nearM is how near to what was cut the machine is still in the field.
const nearM = 60

// worked takes up what was since the last work.
func (a *Accumulator) worked(f *fieldAccount, cutting bool) {
	o := a.open
	o.Sums.add(&o.Tail)
	o.Tail = Sums{}
	o.Ended = a.moment()
	if cutting {
		o.LastWork = a.now
		a.unsure = false
		o.Travelled = false
	}
	if f != nil {
		f.Sums.add(&f.Tail)
		f.Tail = Sums{}
		f.Ended = a.moment()
	}
}

// measure reads what is summed up.
func (a *Accumulator) measure(m *moment) {
	s := m.state
	own := float64(a.facts.Machine.CutWidth)
	if w, ok := signal.CutWidth.Fresh(&s.Signals, s.Now); ok {
		m.width, m.widthKnown, m.widthTold = float64(w), true, true
		a.open.Widest = max(a.open.Widest, m.width)
	} else if own > 0 {
		m.width, m.widthKnown = own, true
	}
	if flow, ok := signal.GrainFlow.Fresh(&s.Signals, s.Now); ok {
		m.flow, m.flowKnown = float64(flow), true
	} else if s.Feed.Basis != machine.NoFeed {
		m.guess, m.guessKnown = float64(s.Feed.Rate)/(1+max(0, a.facts.Crop.MOGRatio)), true
	}
	if fuel, ok := signal.FuelRate.Fresh(&s.Signals, s.Now); ok {
		m.fuel, m.fuelKnown = float64(fuel), true
	}
	if pct, ok := signal.GrainMoisture.Fresh(&s.Signals, s.Now); ok {
		m.moist, m.moistKnown = float64(pct), true
	}
}

// follow marks on the map what is cut. The header is taken for as wide as it is:
// a width that the machine tells is narrower where its sections run over cut
// ground, and on which side nobody says.
func (a *Accumulator) follow(m *moment, f *fieldAccount, cutting bool, lat, lon float64) {
	at := m.state.Signals.Get(signal.Latitude.ID).At
	if cutting {
		f.Bounds.grow(lat, lon)
	}
	width := float64(a.facts.Machine.CutWidth)
	if width <= 0 {
		width = a.open.Widest
	}
	if !cutting || width <= 0 || m.widthTold && m.width <= 0 {
		a.swath.lift(at, lat, lon)
		return
	}
	cells, way, ok := a.swath.step(a.chart, f, at, lat, lon, width)
	if ok {
		m.newM2, m.chartedM = cells, way
	}
}

// findField tells in which field the machine cuts.
func (a *Accumulator) findField(lat, lon float64, located bool) {
	o := a.open
	if o.Now >= 0 {
		f := &o.Fields[o.Now]
		switch {
		case !located, !o.Travelled, f.Bounds.Known && f.Bounds.away(lat, lon) <= a.set.FieldApartM:
			if !f.Bounds.Known && located {
				f.Lat0, f.Lon0 = lat, lon
				f.Bounds.grow(lat, lon)
			}
			return
		case !f.Bounds.Known:
			f.Lat0, f.Lon0 = lat, lon
			f.Bounds.grow(lat, lon)
			return
		}
		f.Tail = Sums{}
		for i := range o.Fields {
			if b := &o.Fields[i].Bounds; b.Known && b.away(lat, lon) <= a.set.FieldApartM {
				o.Now = i
				o.Fields[i].Tail = Sums{}
				a.swath = swath{}
				return
			}
		}
		if len(o.Fields) == maxFields {
			return
		}
	}
	f := fieldAccount{Number: len(o.Fields) + 1, Name: a.fieldName, Began: a.moment(), Ended: a.moment()}
	if located {
		f.Lat0, f.Lon0 = lat, lon
		f.Bounds.grow(lat, lon)
	}
	o.Fields = append(o.Fields, f)
	o.Now = len(o.Fields) - 1
	a.swath = swath{}
}
