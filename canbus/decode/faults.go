package decode

import (
	"cmp"
	"slices"
	"time"

	"chaffinch/canbus/j1939"
	"chaffinch/canbus/signal"
)

const (
	// maxCodes is how many codes of one DM1 are read.
	maxCodes = 64
	// maxActive is how many codes of all nodes are kept.
	maxActive = 256
	// settled is how long a code must stand, if it is not reported twice.
	settled = 2 * time.Second
	// forgotten is how long after the last DM1 of a node its codes are gone.
	// Senders repeat it each second while a code is active (SAE J1939-73).
	forgotten = 5 * time.Second
)

// ActiveCode is a trouble code that its sender reports as active.
type ActiveCode struct {
	Source signal.Source // without route
	SPN    uint32
	FMI    uint8
	Count  uint8      // occurrences, j1939.CountNotAvailable if not counted
	Lamp   j1939.Lamp // the most urgent lamp that is on in the node's DM1
	// OldPacking marks a code in one of the older packings, whose SPN is
	// uncertain.
	OldPacking bool
	Since      signal.Instant // first report
}

// FaultTable follows the trouble codes of all nodes:
//
//	a code is active once it was reported twice, or has stood for 2 s;
//	it is gone when a later DM1 of its node lacks it, or when the node has
//	sent no DM1 for 5 s.
type FaultTable struct {
	codes   []tracked // ordered by source, SPN and FMI
	active  []ActiveCode
	dropped int
}

type tracked struct {
	ActiveCode
	reports int
	heard   signal.Instant // last DM1 that held it
	inThis  bool           // in the DM1 being read
}

// NewFaultTable makes an empty table. It allocates nothing later.
func NewFaultTable() FaultTable {
	return FaultTable{codes: make([]tracked, 0, maxActive), active: make([]ActiveCode, 0, maxActive)}
}

// Reset forgets all codes.
func (t *FaultTable) Reset() { t.codes = t.codes[:0] }

// Forget drops the codes of a node.
func (t *FaultTable) Forget(face, address uint8) {
	t.codes = slices.DeleteFunc(t.codes, func(k tracked) bool {
		return k.Source.Interface == face && k.Source.Address == address
	})
}

// Move takes the codes of a node to its new address.
func (t *FaultTable) Move(face, from, to uint8) {
	moved := false
	for i := range t.codes {
		if s := &t.codes[i].Source; s.Interface == face && s.Address == from {
			s.Address, moved = to, true
		}
	}
	if moved {
		slices.SortFunc(t.codes, func(a, b tracked) int { return cmp.Compare(a.key(), b.key()) })
	}
}

// Dropped counts codes for which there was no room.
func (t *FaultTable) Dropped() int { return t.dropped }

// key orders codes by source, SPN and FMI.
func (c *ActiveCode) key() uint64 {
	return uint64(c.Source.Interface)<<40 | uint64(c.Source.Address)<<32 | uint64(c.SPN)<<8 | uint64(c.FMI)
}

// Report takes a DM1 of a node.
func (t *FaultTable) Report(from signal.Source, at signal.Instant, dm *j1939.Diagnostic) {
	from.Route = noRoute
	t.expire(at)
	t.dropped += dm.Dropped
	lamp := dm.Lamps.MostUrgent()
	for i := range dm.Codes {
		c := &dm.Codes[i]
		if c.None() {
			continue
		}
		k := t.track(ActiveCode{Source: from, SPN: c.SPN, FMI: c.FMI, Since: at})
		if k == nil {
			t.dropped++
			continue
		}
		if !k.inThis { // a sender may name a code twice
			k.reports++
			k.inThis = true
		}
		k.Count, k.Lamp, k.OldPacking, k.heard = c.Count, lamp, c.OldPacking, at
	}
	kept := 0
	for i := range t.codes {
		k := t.codes[i]
		if k.Source == from && !k.inThis && dm.Dropped == 0 {
			continue // this DM1 lacks it
		}
		if k.Source == from && !k.inThis {
			k.heard = at // the DM1 was cut short: it may be in the rest
		}
		k.inThis = false
		t.codes[kept] = k
		kept++
	}
	t.codes = t.codes[:kept]
}

// track finds the entry of a code, new if needed; nil if the table is full.
func (t *FaultTable) track(c ActiveCode) *tracked {
	key := c.key()
	i := 0
	for i < len(t.codes) && t.codes[i].key() < key {
		i++
	}
	if i == len(t.codes) || t.codes[i].key() != key {
		if len(t.codes) == cap(t.codes) {
			return nil
		}
		t.codes = slices.Insert(t.codes, i, tracked{ActiveCode: c})
	}
	return &t.codes[i]
}

// expire drops the codes of nodes that fell silent.
func (t *FaultTable) expire(now signal.Instant) {
	kept := 0
	for i := range t.codes {
		if now.Sub(t.codes[i].heard) <= forgotten {
			t.codes[kept] = t.codes[i]
			kept++
		}
	}
	t.codes = t.codes[:kept]
}

// Active lists the active codes at now, ordered by source, SPN and FMI. The
// slice is used again by the next call.
func (t *FaultTable) Active(now signal.Instant) []ActiveCode {
	t.expire(now)
	t.active = t.active[:0]
	for i := range t.codes {
		if k := &t.codes[i]; k.reports >= 2 || now.Sub(k.Since) >= settled {
			t.active = append(t.active, k.ActiveCode)
		}
	}
	return t.active
}
