package core

import (
	"chaffinch/canbus"
	"chaffinch/canbus/j1939"
	"chaffinch/canbus/processdata"
)

// A node uploads its device descriptor pool only when the task controller does
// not have it (ISO 11783-10), so a listener may never see it. What was seen in
// an earlier run stands in for it: one pool a NAME, the newest.

// maxPools bounds what a hostile bus can have remembered.
const maxPools = 64

// PoolSeen is a pool that was uploaded and is worth keeping.
type PoolSeen struct {
	Name j1939.Name
	Body []byte // valid until the function returns
}

type knownPool struct {
	label [7]byte
	body  string
	pool  processdata.Pool
}

// AddPool gives the core a pool of an earlier run. To be called before the
// first frame.
func (c *Core) AddPool(body []byte) error {
	pool, err := processdata.ParsePool(body)
	if err != nil {
		return err
	}
	c.know(body, pool)
	return nil
}

// know keeps a pool by its NAME, and tells whether it is a new one.
func (c *Core) know(body []byte, pool processdata.Pool) bool {
	if len(pool.Devices) == 0 {
		return false
	}
	name := pool.Devices[0].Name
	was, known := c.pools[name]
	if known && was.body == string(body) || !known && len(c.pools) >= maxPools {
		return false
	}
	if c.pools == nil {
		c.pools = map[j1939.Name]knownPool{}
	}
	c.pools[name] = knownPool{pool.Devices[0].StructureLabel, string(body), pool}
	return true
}

// takePool learns from a pool that a node uploads to a task controller. A pool
// with a fault in it is no pool.
func (c *Core) takePool(m *j1939.Transfer) {
	body, ok := processdata.PoolOf(m.Payload)
	if !ok {
		return
	}
	pool, err := processdata.ParsePool(body)
	if err != nil {
		return
	}
	if c.know(body, pool) && c.out.Pool != nil {
		c.out.Pool(PoolSeen{pool.Devices[0].Name, body})
	}
	c.apply(c.decoder.SetPool(m.Interface, m.Source, &pool, m.Last))
}

// claimed uses the pool that is known of a node which takes an address.
func (c *Core) claimed(change j1939.AddressChange) {
	if change.To == j1939.NullAddress {
		return
	}
	if k, ok := c.pools[change.Name]; ok {
		c.apply(c.decoder.SetPool(change.Interface, change.To, &k.pool, change.At))
	}
}

// structureLabel is byte 1 of the task controller's answer about the pool that
// it has of a client.
const structureLabel = 0x11

// takeLabel forgets a pool that is not the one which the task controller has:
// the node has another by now.
func (c *Core) takeLabel(f *canbus.Frame) {
	const processData = 0xCB
	if f.ID>>16&0x3FF != processData || f.Data[0] != structureLabel || f.Len != 8 {
		return
	}
	name, ok := c.addresses.Name(f.Interface, uint8(f.ID>>8))
	if !ok {
		return
	}
	none := [7]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}
	label := [7]byte(f.Data[1:8])
	if k, known := c.pools[name]; known && label != none && label != k.label {
		delete(c.pools, name)
		c.decoder.DropPool(f.Interface, uint8(f.ID>>8))
	}
}
