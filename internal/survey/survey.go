package survey

import (
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
)

// Survey counts what goes over a bus. It is used by one goroutine.
type Survey struct {
	cfg  *config.Config
	core *core.Core

	timeline   canbus.Timeline
	last       signal.Instant
	lived      time.Duration // listened so far; steps of the clock count nothing
	listening  time.Duration // the whole of it, of a live bus
	clockSteps int

	frames, errorFrames, standard int64
	dropped                       uint64

	loads     map[uint8]*load
	nodes     map[node]*talker
	streams   map[stream]*flow
	addresses j1939.Addresses
	names     map[node]j1939.Name // the newest that claimed the address
	moves     []j1939.AddressChange

	signals map[heard]*values
	inUse   [signal.Count]signal.Source
	faults  map[fault]*active
	differ  [signal.Count]float64 // by how much sources of a signal did at most

	controllers map[node]bool // task controllers, by their status message
	pools       map[node]processdata.Pool
	measured    map[value]*valueRange

	engine struct{ ran, stood bool }
	driven map[stream]*j1939.Distance
}

// heard is one way to a signal.
type heard struct {
	id   signal.ID
	from signal.Source
}

// values is what came that way.
type values struct {
	good, other int64
	quality     signal.Quality // of the newest that was not Good
	onChange    bool
	min, max    float64
	at, goodAt  time.Duration // of the newest, and of the newest Good one
}

// fault is a trouble code of a node.
type fault struct {
	node
	spn uint32
	fmi uint8
}

type active struct {
	count uint8 // occurrences
	lamp  machine.Lamp
}

// value is a process data value that a client sends.
type value struct {
	node
	element, ddi uint16
}

type valueRange struct {
	count    int64
	min, max int32
}

// New prepares a survey with what the configuration says of the bus.
func New(cfg *config.Config) (*Survey, error) {
	s := &Survey{
		cfg: cfg, loads: map[uint8]*load{}, streams: map[stream]*flow{}, nodes: map[node]*talker{}, names: map[node]j1939.Name{},
		signals: map[heard]*values{}, faults: map[fault]*active{}, controllers: map[node]bool{},
		pools: map[node]processdata.Pool{}, measured: map[value]*valueRange{}, driven: map[stream]*j1939.Distance{},
	}
	var err error
	s.core, err = core.New(cfg, core.Outputs{Offered: s.offered, Reading: s.used, Message: s.message, State: s.state})
	return s, err
}

// Listened tells of a live bus how long it was listened to, and for how long
// nothing has come at the end.
func (s *Survey) Listened(whole, silent time.Duration) {
	s.listening = whole
	if s.frames > 0 {
		s.lived += silent
	}
}

// Lost tells how many frames of a live bus this computer was too slow for.
func (s *Survey) Lost(frames uint64) { s.dropped = frames }

// Frame takes the next frame.
func (s *Survey) Frame(f *canbus.Frame) {
	switch step := s.timeline.Place(f); {
	case s.frames == 0:
	case step == canbus.AfterClockStep:
		s.clockSteps++
	default:
		s.lived += f.At.Sub(s.last)
	}
	s.last = f.At
	s.frames++
	s.core.Frame(f)
	if f.Is(canbus.ErrorFrame) {
		s.errorFrames++
		return
	}
	bits := int64(canbus.FrameBits(f))
	of(s.loads, f.Interface).add(f.At, bits)
	if !f.Is(canbus.Extended) {
		s.standard++
		return
	}
	id, ok := j1939.ParseID(f.ID)
	if !ok {
		return
	}
	for _, change := range s.addresses.Feed(f, f.At) {
		s.claimed(change)
	}
	from := node{f.Interface, id.Source}
	t := of(s.nodes, from)
	t.frames++
	t.bits += bits
	t.last = s.lived
	k := stream{from, id.PGN, false}
	of(s.streams, k).add(s.lived, s.clockSteps, int(f.Len))
	if spn, ok := distances[id.PGN]; ok {
		s.drive(k, spn, f)
	}
	if id.PGN == j1939.ProcessData && f.Len == 8 {
		s.processData(from, id.Destination, f)
	}
}

func (s *Survey) claimed(c j1939.AddressChange) {
	if c.To < j1939.NullAddress {
		s.names[node{c.Interface, c.To}] = c.Name
	}
	if c.From < j1939.NullAddress && len(s.moves) < mostMoves {
		s.moves = append(s.moves, c)
	}
}

// Two nodes that fight for an address could go on for ever, and a hostile
// sender could make up values without end.
const (
	mostMoves  = 1000
	mostValues = 4000
)

// distances are the messages that count the way, by the SPN of their counter.
var distances = map[j1939.PGN]uint32{j1939.WheelSpeed: 1863, j1939.GroundSpeed: 1860, j1939.SelectedSpeed: 4306}

func (s *Survey) drive(k stream, spn uint32, f *canbus.Frame) {
	field := j1939.Lookup(k.pgn).Field(spn)
	raw, ok := field.Raw(f.Data[:f.Len])
	if _, quality := field.Value(raw); ok && quality == signal.Good {
		of(s.driven, k).Add(uint32(raw))
	}
}

func (s *Survey) processData(from node, to uint8, f *canbus.Frame) {
	m, ok := processdata.Parse(f.Data[:])
	switch {
	case !ok:
	case m.Command == processdata.ControllerStatus && to == j1939.GlobalAddress:
		s.controllers[from] = true
	case m.Command == processdata.Value && !s.controllers[from]:
		k := value{from, m.Element, m.DDI}
		if s.measured[k] == nil && len(s.measured) >= mostValues {
			return
		}
		v := of(s.measured, k)
		if v.count == 0 {
			v.min, v.max = m.Value, m.Value
		}
		v.count++
		v.min, v.max = min(v.min, m.Value), max(v.max, m.Value)
	}
}

func (s *Survey) message(m *j1939.Transfer) {
	from := node{m.Interface, m.Source}
	of(s.streams, stream{from, m.PGN, true}).add(s.lived, s.clockSteps, len(m.Payload))
	s.addresses.Command(m)
	if m.PGN != j1939.ProcessData {
		return
	}
	if body, ok := processdata.PoolOf(m.Payload); ok {
		if pool, err := processdata.ParsePool(body); err == nil {
			s.pools[from] = pool
		}
	}
}

// offered takes a reading of any source.
func (s *Survey) offered(id signal.ID, r *signal.Reading[float64]) {
	v := of(s.signals, heard{id, r.From})
	v.at, v.onChange = s.lived, r.OnChange
	if r.Quality != signal.Good {
		v.other++
		v.quality = r.Quality
		return
	}
	if v.good == 0 {
		v.min, v.max = r.Value, r.Value
	}
	v.good++
	v.goodAt = s.lived
	v.min, v.max = min(v.min, r.Value), max(v.max, r.Value)
}

// used takes a reading of the source in use.
func (s *Survey) used(id signal.ID, r *signal.Reading[float64]) { s.inUse[id] = r.From }

func (s *Survey) state(st *machine.State) {
	for _, f := range st.Faults {
		a := of(s.faults, fault{node{f.Source.Interface, f.Source.Address}, f.SPN, f.FMI})
		a.lamp = max(a.lamp, f.Lamp)
		if f.Count != j1939.CountNotAvailable {
			a.count = max(a.count, f.Count)
		}
	}
	for _, d := range st.Disputes {
		s.differ[d.Signal] = max(s.differ[d.Signal], d.Largest)
	}
	switch st.Engine.Running {
	case machine.Yes:
		s.engine.ran = true
	case machine.No:
		s.engine.stood = true
	}
}
