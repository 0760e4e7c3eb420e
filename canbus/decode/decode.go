package decode

import (
	"errors"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// Update is a new reading of a signal from the source in use.
type Update struct {
	ID      signal.ID
	Reading signal.Reading[float64]
}

// interfaces is how many interfaces are told apart; those above share the
// last place.
const interfaces = 4

// Decoder turns frames into readings. It allocates nothing once it is made.
type Decoder struct {
	// Offered, if set, is called for every reading of every source, in use or
	// not, for who wants to know all that is there: the survey.
	Offered func(signal.ID, *signal.Reading[float64])

	// plans[dispatch[n]] says what to do with a frame whose identifier has
	// bits 8 to 25 equal to n: pages, PDU format and the byte behind it. Plan 0
	// is nothing, so that most of the bus is dropped by one look.
	dispatch [1 << 18]uint8
	// standard is the same for 11-bit identifiers, which only maps can name.
	standard [standardIDs + 1]uint8
	plans    []plan

	maps         []userMap
	routeNames   [standardRoutes]string
	prefer       [signal.Count][]preference
	tolerance    [signal.Count]tolerance
	rotorElement int // -1 if not configured

	choices [signal.Count]choice
	changes changes
	heard   [interfaces][256]signal.Instant
	names   [interfaces][256]j1939.Name

	controllers controllers
	measured    measuredState
	pools       []knownPool
	faults      FaultTable
	engines     engines
	clock       Clock
	simulated   signal.Instant

	codes []j1939.Code // room for one DM1
	out   []Update
}

// plan is what to do with a group of frames.
type plan struct {
	special special
	steps   []step
	maps    []int // indices of the owner's maps
}

// step takes one field to one signal.
type step struct {
	field *j1939.Field
	route signal.Route
	id    signal.ID
	scale float64 // from the field's unit to the signal's
}

// special is what a group needs beyond steps.
type special uint8

const (
	plain special = iota
	specialEEC1
	specialEEC3
	specialSelectedSpeed
	specialCourse
	specialHeading
	specialPosition
	specialTime
	specialDM1
	specialProcessData
)

// New makes a decoder, or says all that is wrong with the settings.
func New(s Settings) (*Decoder, error) {
	if wrong := s.Validate(); len(wrong) > 0 {
		all := make([]error, len(wrong))
		for i, p := range wrong {
			all[i] = p
		}
		return nil, errors.Join(all...)
	}
	d := &Decoder{
		plans:        make([]plan, 1, 32),
		tolerance:    tolerances(),
		rotorElement: -1,
		codes:        make([]j1939.Code, 0, maxCodes),
	}
	if s.RotorElement != nil {
		d.rotorElement = int(*s.RotorElement)
	}
	for id := range signal.ID(signal.Count) {
		for _, text := range s.Prefer[id.String()] {
			p, _ := parsePreference(text) // validated above
			d.prefer[id] = append(d.prefer[id], p)
		}
	}
	for r := noRoute + 1; r < standardRoutes; r++ {
		d.routeNames[r] = routes[r].name()
	}
	for _, p := range standardPlans() {
		*d.planFor(p.pgn) = p.plan
	}
	if err := d.addMaps(s.Maps); err != nil {
		return nil, err
	}
	d.out = make([]Update, 0, 2*signal.Count+len(d.maps))
	d.faults = NewFaultTable()
	d.Reset()
	return d, nil
}

// planFor returns the plan of a parameter group, new if there is none yet. The
// pointer holds until the next call.
func (d *Decoder) planFor(pgn j1939.PGN) *plan {
	if n := d.dispatch[pgn]; n != 0 {
		return &d.plans[n]
	}
	d.plans = append(d.plans, plan{})
	n := uint8(len(d.plans) - 1)
	last := pgn
	if !pgn.Broadcast() {
		last = pgn | 0xFF // any destination
	}
	for i := pgn; i <= last; i++ {
		d.dispatch[i] = n
	}
	return &d.plans[n]
}

// Reset forgets all that was heard, as after a step of the stream's clock. What
// was learned about nodes (names, pools, task controllers) stays.
func (d *Decoder) Reset() {
	for i := range d.choices {
		d.choices[i] = choice{changes: d.choices[i].changes, used: d.choices[i].used, begun: d.choices[i].begun}
	}
	for i := range d.heard {
		for j := range d.heard[i] {
			d.heard[i][j] = signal.Never
		}
	}
	d.measured.reset()
	for i := range d.pools {
		clear(d.pools[i].heard)
	}
	d.faults.Reset()
	d.clock = Clock{}
	d.simulated = signal.Never
}

// Decode takes a frame, in the order in which frames were received, and
// returns what it says of the signals. The slice is used again by the next
// call.
func (d *Decoder) Decode(f *canbus.Frame) []Update {
	if f.Flags != canbus.Extended {
		return d.decodeStandard(f)
	}
	face, address := min(f.Interface, interfaces-1), uint8(f.ID)
	d.heard[face][address] = f.At
	n := d.dispatch[f.ID>>8&0x3FFFF]
	if n == 0 {
		return nil
	}
	d.out = d.out[:0]
	p := &d.plans[n]
	data := j1939.LoadFrame(&f.Data)
	from := signal.Source{Interface: face, Address: address}
	for i := range p.steps {
		s := &p.steps[i]
		v, q := s.field.ReadFrame(data, f.Len)
		d.take(s.id, s.route, from, f.At, v*s.scale, q, false)
	}
	if p.special != plain {
		d.decodeSpecial(p.special, f, data, from)
	}
	for _, m := range p.maps {
		d.decodeMap(m, f, from)
	}
	return d.out
}

// decodeStandard takes frames with 11 bits. Remote, error and FD frames carry
// no data for us.
func (d *Decoder) decodeStandard(f *canbus.Frame) []Update {
	if f.Flags != 0 || f.ID > standardIDs || d.standard[f.ID] == 0 {
		return nil
	}
	d.out = d.out[:0]
	from := signal.Source{Interface: min(f.Interface, interfaces-1), Address: j1939.NullAddress}
	for _, m := range d.plans[d.standard[f.ID]].maps {
		d.decodeMap(m, f, from)
	}
	return d.out
}

// take offers a reading of a signal; if its source is the one in use, the
// reading becomes an update.
func (d *Decoder) take(id signal.ID, route signal.Route, from signal.Source, at signal.Instant, v float64, q signal.Quality, onChange bool) {
	info := &signal.Infos[id]
	if q == signal.Good && !(v >= info.Min && v <= info.Max) {
		q = signal.OutOfRange
	}
	if q != signal.Good {
		v = 0
	}
	from.Route = route
	if d.Offered != nil {
		d.offer(id, signal.Reading[float64]{Value: v, At: at, Heard: at, Quality: q, OnChange: onChange, From: from})
	}
	c := &d.choices[id]
	k, isNew := c.find(from, at, info.MaxAge)
	if k == nil {
		return
	}
	if isNew {
		k.rank = d.rank(id, route, from)
	}
	k.value, k.quality, k.at, k.onChange = v, q, at, onChange
	if q == signal.Good {
		k.goodAt = at
	}
	if c.admit(k, d, info.MaxAge) {
		if before, changed := c.use(from); changed {
			d.changes.add(Change{Signal: id, At: at, From: before, To: from})
		}
		// Written in place: a copy of the small fields stalls the processor.
		d.out = append(d.out, Update{})
		u := &d.out[len(d.out)-1]
		u.ID = id
		r := &u.Reading
		r.Value, r.At, r.Heard, r.Quality, r.OnChange, r.From = v, at, at, q, onChange, from
	}
	if c.n > 1 && d.tolerance[id].compared {
		c.compare(at, info.MaxAge, d.tolerance[id])
	}
}

// offer lets the reading go to the heap here, and only when somebody asks.
func (d *Decoder) offer(id signal.ID, r signal.Reading[float64]) { d.Offered(id, &r) }

// presentHeard is when the source in use was last known to hold. Frames of 11
// bits name no sender whose other frames could speak for it.
func (d *Decoder) presentHeard(c *choice) signal.Instant {
	k := &c.candidates[c.present]
	if !k.onChange || k.at == signal.Never {
		return k.at
	}
	return max(k.at, d.LastHeard(k.from))
}

// rank orders the sources of a signal: those of the configured order, then the
// owner's maps, then the standard messages. An engine's own address goes
// before that of a gateway which sends its messages again.
func (d *Decoder) rank(id signal.ID, r signal.Route, from signal.Source) uint16 {
	const mapRank, standardRank = 1000, 2000
	for i := range d.prefer[id] {
		if d.prefer[id][i].matches(d.RouteName(r), from.Interface, from.Address) {
			return uint16(min(i, mapRank-1))
		}
	}
	if r >= standardRoutes {
		return mapRank + uint16(r-standardRoutes)
	}
	rank := standardRank + 2*uint16(r)
	if routes[r].engine && from.Address != 0 {
		rank++
	}
	return rank
}

// LastHeard is when any frame of the source's node was last received.
func (d *Decoder) LastHeard(s signal.Source) signal.Instant {
	return d.heard[min(s.Interface, interfaces-1)][s.Address]
}

// Faults are the active trouble codes at now, ordered by source, SPN and FMI.
// The slice is used again by the next call.
func (d *Decoder) Faults(now signal.Instant) []ActiveCode { return d.faults.Active(now) }

// Simulated is when a sender last said that its speed or position is made up;
// signal.Never if none has. Such values are never Good.
func (d *Decoder) Simulated() signal.Instant { return d.simulated }

// Clock is the newest calendar time that the bus told.
type Clock struct {
	UTC   time.Time
	At    signal.Instant // when it was told
	PGN   j1939.PGN
	Known bool
}

// Clock is the newest calendar time that the bus told, a receiver before the
// machine's own clock. It is only a label:
// GNSS receivers with an old week count may be years off.
func (d *Decoder) Clock() Clock { return d.clock }
