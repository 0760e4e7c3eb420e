package decode

import (
	"fmt"
	"strconv"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

// userMap is a map of the owner, ready for use.
type userMap struct {
	name  string
	id    signal.ID
	route signal.Route

	from        sender
	destination int16

	start         uint16
	length, last  uint8 // last is the last byte that the field touches
	order         canbus.ByteOrder
	inFrame       bool // it may come in a single frame
	signed        bool
	scale, offset float64
	min, max      float64
	rule          j1939.Rule // Whole: only all ones is tested, by width
	onesMissing   bool
	onChange      bool

	when                 bool
	whenStart            uint16
	whenLength, whenLast uint8
	whenEquals           uint64
}

// maxMaps keeps plan numbers in a byte.
const maxMaps = 200

func (d *Decoder) addMaps(entries []MapEntry) error {
	var times [signal.Count]int
	for i := range entries {
		m := compile(&entries[i])
		m.route = standardRoutes + signal.Route(i)
		times[m.id]++
		m.name = mapName(m.id, times[m.id])
		var p *plan
		if id := entries[i].ID; id != nil && *id <= standardIDs {
			p = d.standardPlan(uint32(*id))
			m.destination = anyone
		} else {
			pgn, source, destination, ok := entries[i].frame()
			if !ok {
				return fmt.Errorf("decode: map %d names no parameter group", i)
			}
			if m.from.node == 0 {
				m.from = senderAt(source)
			}
			m.destination = destination
			m.inFrame = m.inFrame && !j1939.FastPacketPGN(pgn)
			p = d.planFor(pgn)
		}
		p.maps = append(p.maps, i)
		d.maps = append(d.maps, m)
	}
	return nil
}

// mapName is the name of the n-th map of a signal.
func mapName(id signal.ID, n int) string {
	name := "map " + id.String()
	if n > 1 {
		name += " #" + strconv.Itoa(n)
	}
	return name
}

func (d *Decoder) standardPlan(id uint32) *plan {
	if d.standard[id] == 0 {
		d.plans = append(d.plans, plan{})
		d.standard[id] = uint8(len(d.plans) - 1)
	}
	return &d.plans[d.standard[id]]
}

// compile takes a valid entry apart.
func compile(e *MapEntry) userMap {
	m := userMap{
		from: senderAt(anyone), start: uint16(e.StartBit), length: uint8(e.Length),
		signed: e.Signed, scale: 1, offset: e.Offset, onChange: e.OnChange, rule: j1939.Whole,
	}
	m.id, _ = signal.ByName(e.Signal)
	m.order, _ = byteOrder(e.ByteOrder)
	last, _ := fieldLastByte(e.StartBit, e.Length, m.order)
	m.last = uint8(last)
	if e.Scale != nil {
		m.scale = *e.Scale
	}
	m.min, m.max = e.limits(m.id)
	if e.Reserved {
		m.rule = j1939.Ranges
	}
	m.onesMissing = !e.Signed && (e.Length == 8 || e.Length == 16 || e.Length == 32)
	if e.SourceName != "" {
		name, _ := parseName(e.SourceName)
		m.from = senderNamed(name)
	}
	if w := e.When; w != nil {
		m.when, m.whenStart, m.whenLength, m.whenEquals = true, uint16(w.StartBit), uint8(w.Length), uint64(w.Equals)
		last, _ := fieldLastByte(w.StartBit, w.Length, m.order)
		m.whenLast = uint8(last)
	}
	m.inFrame = !e.several && max(m.last, m.whenLast) <= 8
	return m
}

// of tells whether a message between two addresses is the map's.
func (m *userMap) of(from signal.Source, destination uint8) bool {
	return m.from.is(from.Interface, from.Address) && (m.destination == anyone || m.destination == int16(destination))
}

func (d *Decoder) decodeMap(index int, f *canbus.Frame, from signal.Source) {
	m := &d.maps[index]
	if !m.inFrame || !m.of(from, uint8(f.ID>>8)) {
		return
	}
	if m.when && (f.Len < m.whenLast || f.Unsigned(uint8(m.whenStart), m.whenLength, m.order) != m.whenEquals) {
		return
	}
	v, q := 0.0, signal.NotAvailable
	if f.Len >= m.last {
		v, q = m.read(f.Unsigned(uint8(m.start), m.length, m.order))
	}
	d.take(m.id, m.route, from, f.At, v, q, m.onChange)
}

// decodeLongMaps takes a message that came in several frames.
func (d *Decoder) decodeLongMaps(pgn j1939.PGN, from signal.Source, destination uint8, payload []byte, at signal.Instant) {
	if int(pgn) >= len(d.dispatch) {
		return
	}
	for _, index := range d.plans[d.dispatch[pgn]].maps {
		m := &d.maps[index]
		if !m.of(from, destination) {
			continue
		}
		if m.when && (len(payload) < int(m.whenLast) || fieldBits(payload, m.whenStart, m.whenLength, m.order) != m.whenEquals) {
			continue
		}
		v, q := 0.0, signal.NotAvailable
		if len(payload) >= int(m.last) {
			v, q = m.read(fieldBits(payload, m.start, m.length, m.order))
		}
		d.take(m.id, m.route, from, at, v, q, m.onChange)
	}
}

// read gives the value of a raw one.
func (m *userMap) read(raw uint64) (float64, signal.Quality) {
	if m.onesMissing && raw == ^uint64(0)>>(64-m.length) {
		return 0, signal.NotAvailable
	}
	if i := m.rule.Indicate(raw, m.length); i != j1939.IsValue {
		return 0, i.Quality()
	}
	v := float64(raw)
	if m.signed {
		v = float64(twosComplement(raw, m.length))
	}
	v = v*m.scale + m.offset
	if !(v >= m.min && v <= m.max) || signal.Infos[m.id].Flag && v != 0 && v != 1 {
		return 0, signal.OutOfRange
	}
	return v, signal.Good
}
