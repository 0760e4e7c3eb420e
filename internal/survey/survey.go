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

	last        signal.Instant
	heardFor    time.Duration // without breaks of the stream
	frames      int64
	errorFrames int64
	standard    int64
	bits        map[uint8]*load
	streams     map[stream]*flow
	nodes       map[node]*talker
	signals     map[heard]*values
	faults      map[machine.Fault]int // steps in which a code was active; Since and Count left out
	controllers map[node]bool         // task controllers, by their status message
	pools       int
	engine      struct{ known, running bool }
	threshing   bool
	driven      map[stream]*j1939.Distance
	newest      machine.State
}

// node is a place on a bus.
type node struct{ Interface, Address uint8 }

// stream is what one node sends of one parameter group.
type stream struct {
	node
	pgn  j1939.PGN
	long bool // in several frames
}

// flow is how a stream comes.
type flow struct {
	count     int64
	bytes     int
	last      signal.Instant
	intervals []time.Duration // the first ones
}

// enoughIntervals tell rate and jitter well.
const enoughIntervals = 4096

type talker struct {
	frames int64
	bits   int64
}

type load struct {
	bits    int64
	second  int64
	now     int64
	busiest int64
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
	min, max    float64
	at          signal.Instant // of the newest
}

// New prepares a survey with what the configuration says of the bus.
func New(cfg *config.Config) (*Survey, error) {
	s := &Survey{
		cfg: cfg, bits: map[uint8]*load{}, streams: map[stream]*flow{}, nodes: map[node]*talker{},
		signals: map[heard]*values{}, faults: map[machine.Fault]int{}, controllers: map[node]bool{},
		driven: map[stream]*j1939.Distance{},
	}
	var err error
	s.core, err = core.New(cfg, core.Outputs{Reading: s.reading, Message: s.message, State: s.state})
	return s, err
}

// Frame takes the next frame.
func (s *Survey) Frame(f *canbus.Frame) {
	s.core.Frame(f)
	if pause := f.At.Sub(s.last); s.frames > 0 && pause <= canbus.LongestPause {
		s.heardFor += pause
	}
	s.frames++
	s.last = f.At
	if f.Is(canbus.ErrorFrame) {
		s.errorFrames++
		return
	}
	bits := int64(canbus.FrameBits(f))
	s.load(f.Interface).add(f.At, bits)
	if !f.Is(canbus.Extended) {
		s.standard++
		return
	}
	id, ok := j1939.ParseID(f.ID)
	if !ok {
		return
	}
	from := node{f.Interface, id.Source}
	t := s.nodes[from]
	if t == nil {
		t = &talker{}
		s.nodes[from] = t
	}
	t.frames++
	t.bits += bits
	s.flow(stream{from, id.PGN, false}).add(f.At, int(f.Len))
	if spn, ok := distances[id.PGN]; ok {
		s.drive(stream{from, id.PGN, false}, spn, f)
	}
	if id.PGN == j1939.ProcessData && f.Len == 8 {
		if m, ok := processdata.Parse(f.Data[:]); ok && m.Command == processdata.ControllerStatus {
			s.controllers[from] = true
		}
	}
}

// distances are the messages that count the way, by the SPN of their counter.
var distances = map[j1939.PGN]uint32{65096: 1863, 65097: 1860, 61474: 4306}

func (s *Survey) drive(k stream, spn uint32, f *canbus.Frame) {
	field := j1939.Lookup(k.pgn).Field(spn)
	raw, ok := field.Raw(f.Data[:f.Len])
	if _, quality := field.Value(raw); !ok || quality != signal.Good {
		return
	}
	d := s.driven[k]
	if d == nil {
		d = &j1939.Distance{}
		s.driven[k] = d
	}
	d.Add(uint32(raw))
}

func (s *Survey) message(m *j1939.Transfer) {
	s.flow(stream{node{m.Interface, m.Source}, m.PGN, true}).add(m.Last, len(m.Payload))
	if m.PGN == j1939.ProcessData {
		if body, ok := processdata.PoolOf(m.Payload); ok {
			if _, err := processdata.ParsePool(body); err == nil {
				s.pools++
			}
		}
	}
}

func (s *Survey) reading(id signal.ID, r *signal.Reading[float64]) {
	k := heard{id, r.From}
	v := s.signals[k]
	if v == nil {
		v = &values{}
		s.signals[k] = v
	}
	v.at = r.At
	if r.Quality != signal.Good {
		v.other++
		v.quality = r.Quality
		return
	}
	if v.good == 0 {
		v.min, v.max = r.Value, r.Value
	}
	v.good++
	v.min, v.max = min(v.min, r.Value), max(v.max, r.Value)
}

func (s *Survey) state(st *machine.State) {
	for _, f := range st.Faults {
		f.Since, f.Count = 0, 0
		s.faults[f]++
	}
	switch st.Engine.Running {
	case machine.Yes:
		s.engine.known, s.engine.running = true, true
	case machine.No:
		s.engine.known = true
	}
	s.threshing = s.threshing || st.Threshing == machine.Yes
	s.newest = *st
}

func (s *Survey) load(iface uint8) *load {
	l := s.bits[iface]
	if l == nil {
		l = &load{}
		s.bits[iface] = l
	}
	return l
}

func (l *load) add(at signal.Instant, bits int64) {
	if second := int64(at) / int64(time.Second); second != l.second {
		l.second, l.now = second, 0
	}
	l.bits += bits
	l.now += bits
	l.busiest = max(l.busiest, l.now)
}

func (s *Survey) flow(k stream) *flow {
	f := s.streams[k]
	if f == nil {
		f = &flow{}
		s.streams[k] = f
	}
	return f
}

func (f *flow) add(at signal.Instant, bytes int) {
	if f.count > 0 && len(f.intervals) < enoughIntervals {
		f.intervals = append(f.intervals, at.Sub(f.last))
	}
	f.count++
	f.last = at
	f.bytes = max(f.bytes, bytes)
}
