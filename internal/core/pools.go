package core

import (
	"encoding/binary"
	"fmt"
	"slices"

	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
	"chaffinch/canbus/signal"
)

// A node uploads its device descriptor pool only when the task controller does
// not have it (ISO 11783-10), so a listener may never see it. What was seen in
// earlier runs stands in for it. A node with another header has another pool,
// under another structure label, and nothing but the label tells which:
//
//	a pool that a node uploads is its own;
//	of a node whose label the task controller tells, it is the pool with that
//	label, or none if that was never seen;
//	of a node that only claims an address, it is the pool that is known, if
//	all that was ever seen or told of the node has one label.

// maxPools bounds what a hostile bus can have remembered.
const maxPools = 64

// PoolSeen is a pool, or the mark of one that was only told of, which is worth
// keeping for later runs.
type PoolSeen struct {
	ID   string // NAME, structure label and localization label, in hexadecimal digits
	Body []byte // valid until the function returns
}

// knownPool is a pool, or the mark of one: a pool of a device without elements.
type knownPool struct {
	name    j1939.Name
	label   string // structure label; behind its 7 bytes the extended one, if any
	body    string
	pool    processdata.Pool
	present bool // the one that the node has, by an upload or its label
}

func (k *knownPool) mark() bool { return len(k.pool.Elements) == 0 }

func newKnownPool(body []byte) (knownPool, error) {
	pool, err := processdata.ParsePool(body)
	if err != nil {
		return knownPool{}, err
	}
	if len(pool.Devices) == 0 {
		return knownPool{}, fmt.Errorf("core: a pool without a device")
	}
	d := &pool.Devices[0]
	return knownPool{d.Name, string(d.StructureLabel[:]) + string(d.ExtendedLabel), string(body), pool, false}, nil
}

const labelBytes = 7

// sameLabel compares structure labels. Only task controllers and pools of
// version 4 of the standard have the extended part.
func sameLabel(a, b string) bool {
	if len(a) == labelBytes || len(b) == labelBytes {
		return a[:labelBytes] == b[:labelBytes]
	}
	return a == b
}

// AddPools gives the core what earlier runs kept, oldest first. What this run
// has seen goes before it. What is not a pool is left out, with an error for the
// last of them.
func (c *Core) AddPools(bodies [][]byte) error {
	var wrong error
	seen := c.pools
	c.pools = nil
	for _, body := range bodies {
		k, err := newKnownPool(body)
		if err != nil {
			wrong = fmt.Errorf("core: a pool of an earlier run: %w", err)
			continue
		}
		c.know(k)
	}
	for _, k := range seen {
		c.know(k)
	}
	c.eachHolder(func(face, address uint8, name j1939.Name) {
		if k := c.poolOf(name); k != nil {
			c.apply(c.decoder.SetPool(face, address, &k.pool, c.last))
		}
	})
	return wrong
}

// eachHolder goes through the addresses whose holder has a pool.
func (c *Core) eachHolder(do func(face, address uint8, name j1939.Name)) {
	for face := range uint8(interfaces) {
		for i, k := range c.pools {
			address, ok := c.addresses.Address(face, k.name)
			if ok && !slices.ContainsFunc(c.pools[:i], func(o knownPool) bool { return o.name == k.name }) {
				do(face, address, k.name)
			}
		}
	}
}

// interfaces is on how many buses a node is looked for.
const interfaces = 4

// know keeps a pool in place of what was known under its label, and tells
// whether it is a new one.
func (c *Core) know(k knownPool) bool {
	isNew := true
	c.pools = slices.DeleteFunc(c.pools, func(o knownPool) bool {
		if o.name != k.name || !sameLabel(o.label, k.label) {
			return false
		}
		if o.body == k.body || k.mark() && !o.mark() {
			k.body, k.pool, k.label, isNew = o.body, o.pool, o.label, false
		}
		return true
	})
	if len(c.pools) >= maxPools {
		c.pools = slices.Delete(c.pools, 0, 1)
	}
	if k.present {
		for i := range c.pools {
			c.pools[i].present = c.pools[i].present && c.pools[i].name != k.name
		}
	}
	c.pools = append(c.pools, k)
	return isNew
}

// learn keeps what the node certainly has now.
func (c *Core) learn(k knownPool) {
	k.present = true
	if c.know(k) && c.out.Pool != nil {
		d := &k.pool.Devices[0]
		c.out.Pool(PoolSeen{fmt.Sprintf("%016X-%X-%X", uint64(k.name), k.label, d.Localization), []byte(k.body)})
	}
}

// poolOf is the pool that a node has, or nil where that is not sure.
func (c *Core) poolOf(name j1939.Name) *knownPool {
	var newest *knownPool
	sure := true
	for i := range c.pools {
		k := &c.pools[i]
		if k.name != name {
			continue
		}
		if k.present {
			newest, sure = k, true
			break
		}
		sure = sure && (newest == nil || sameLabel(newest.label, k.label))
		newest = k
	}
	if newest == nil || !sure || newest.mark() {
		return nil
	}
	return newest
}

// takePool learns from a pool that a node uploads to a task controller. A pool
// with a fault in it is no pool, nor is one that describes another node.
func (c *Core) takePool(m *j1939.Transfer) {
	body, ok := processdata.PoolOf(m.Payload)
	if !ok {
		return
	}
	k, err := newKnownPool(body)
	if err != nil {
		return
	}
	if name, ok := c.addresses.Name(m.Interface, m.Source); ok && name != k.name {
		return
	}
	c.learn(k)
	c.apply(c.decoder.SetPool(m.Interface, m.Source, &k.pool, m.Last))
}

// claimed uses the pool that is known of a node which takes an address.
func (c *Core) claimed(change j1939.AddressChange) {
	if change.To == j1939.NullAddress {
		return
	}
	if k := c.poolOf(change.Name); k != nil {
		c.apply(c.decoder.SetPool(change.Interface, change.To, &k.pool, change.At))
	}
}

// structureLabel is byte 1 of the task controller's answer about the pool that
// it has of a client.
const structureLabel = 0x11

// takeLabel looks for that answer among frames.
func (c *Core) takeLabel(f *canbus.Frame) {
	const processData = 0xCB
	if f.ID>>16&0x3FF == processData && f.Data[0] == structureLabel && f.Len == 8 {
		c.told(f.Interface, uint8(f.ID>>8), f.Data[1:], f.At)
	}
}

// takeLongLabel looks for it among messages of several frames: it has an
// extended label then.
func (c *Core) takeLongLabel(m *j1939.Transfer) {
	if p := m.Payload; len(p) > 1+labelBytes && len(p) <= 1+labelBytes+32 && p[0] == structureLabel {
		c.told(m.Interface, m.Destination, p[1:], m.Last)
	}
}

// told takes the label of the pool of the node at an address. A label of all
// ones says that the task controller has none.
func (c *Core) told(face, address uint8, label []byte, at signal.Instant) {
	name, ok := c.addresses.Name(face, address)
	if !ok || string(label[:labelBytes]) == "\xFF\xFF\xFF\xFF\xFF\xFF\xFF" {
		return
	}
	mark, err := newKnownPool(markOf(name, label))
	if err != nil {
		return
	}
	c.learn(mark)
	if k := c.poolOf(name); k != nil {
		c.apply(c.decoder.SetPool(face, address, &k.pool, at))
	} else {
		c.apply(c.decoder.DropPool(face, address, at))
	}
}

// markOf makes a pool of a device that says nothing but its NAME and label
// (ISO 11783-10, device object).
func markOf(name j1939.Name, label []byte) []byte {
	b := []byte{'D', 'V', 'C', 0, 0, 0, 0}
	b = binary.LittleEndian.AppendUint64(b, uint64(name))
	b = append(b, 0)
	b = append(b, label[:labelBytes]...)
	b = append(b, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	b = append(b, byte(len(label)-labelBytes))
	return append(b, label[labelBytes:]...)
}
