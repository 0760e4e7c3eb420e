package virtual

// The nodes of the make-believe machine. Preferred addresses are those of
// ISO 11783-1 where there is one.
const (
	addrEngine       = 0
	addrTransmission = 3
	addrGNSS         = 28
	addrMachine      = 133 // self-configured
	addrTractor      = 240 // tractor ECU
	addrTailings     = 241
	addrHeader       = 242
	addrLoss         = 243
	addrMoisture     = 244
	addrTask         = 247 // task controller
	addrGlobal       = 255
)

type node struct {
	address     uint8
	class       uint64 // device class of industry group 2
	function    uint64
	industry    uint64
	processOnly bool // only where there is process data
	ownOnly     bool
}

var nodes = [...]node{
	{address: addrEngine},
	{address: addrTransmission, function: 3},
	{address: addrGNSS, function: 23},
	{address: addrTractor, function: 134, industry: 2},
	{address: addrMachine, class: 7, function: 132, industry: 2},
	{address: addrHeader, class: 7, function: 129, industry: 2},
	{address: addrTailings, class: 7, function: 128, industry: 2, ownOnly: true},
	{address: addrLoss, class: 7, function: 130, industry: 2, ownOnly: true},
	{address: addrMoisture, class: 7, function: 131, industry: 2, processOnly: true},
	{address: addrTask, function: 130, industry: 2, processOnly: true},
}

// name is the node's 64-bit NAME (ISO 11783-5). The manufacturer code is all
// ones, which no maker has.
func (n *node) name() uint64 {
	identity := 0x1F000 + uint64(n.address)*7
	return identity | 0x7FF<<21 | n.function<<40 | n.class<<49 | n.industry<<60 | 1<<63
}

func nameBytes(v uint64) []byte {
	b := make([]byte, 8)
	put32(b, uint32(v))
	put32(b[4:], uint32(v>>32))
	return b
}

func (c *Combine) has(n *node) bool {
	return (!n.processOnly || c.set.process) && (!n.ownOnly || c.set.own)
}

// claim has every node say who it is, from a time on.
func (c *Combine) claim(atNS int64) {
	for i := range nodes {
		n := &nodes[i]
		if !c.has(n) {
			continue
		}
		atNS += 3e6 + int64(c.busNoise.unit()*9e6)
		c.bus.push(atNS, idTo(6, 0xEE00, addrGlobal, n.address), nameBytes(n.name())...)
	}
}

// wake is what happens on the bus when the key is turned, or, in a log that
// begins later, when the task controller asks who is there.
func (c *Combine) wake(nowNS int64) {
	b := &c.bus
	b.wakings++
	b.valuesNS = nowNS + 1_000e6
	if c.sc.InCrop && c.tick == 0 {
		asks := uint8(addrTask)
		if !c.set.process {
			asks = addrTractor
		}
		b.push(nowNS+2_000e6, idTo(6, 0xEA00, addrGlobal, asks), 0x00, 0xEE, 0x00)
		c.claim(nowNS + 2_001e6)
		return
	}
	c.claim(nowNS + 20e6)
	if c.set.process {
		c.introduce(nowNS + 6_500e6)
	}
}

// introduce is the conversation of the machine control with the task
// controller, with or without its device descriptor pool.
func (c *Combine) introduce(at int64) {
	b := &c.bus
	toTask := idTo(5, 0xCB00, addrTask, addrMachine)
	toMachine := idTo(5, 0xCB00, addrMachine, addrTask)
	next := func() int64 { at += 40e6 + int64(c.busNoise.unit()*60e6); return at }
	b.push(next(), id(7, 0xFE0D, addrMachine), 0x01, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	b.push(next(), toTask, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	b.push(next(), toMachine, 0x10, 0x04, 0xFF, 0x00, 0x01, 0x10, 0x10, 0x10)
	b.push(next(), toTask, append([]byte{0x01}, allOnes[1:]...)...)
	stored := allOnes[1:]
	if !c.sc.Pool {
		stored = []byte(structureLabel)
	}
	b.push(next(), toMachine, append([]byte{0x11}, stored...)...)
	if c.sc.Pool {
		pool := c.pool()
		size := uint32(len(pool))
		ask := []byte{0x41, 0, 0, 0, 0, 0xFF, 0xFF, 0xFF}
		put32(ask[1:], size)
		b.push(next(), toTask, ask...)
		b.push(next(), toMachine, 0x51, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
		at = b.transfer(next(), addrMachine, addrTask, 0xCB00, append([]byte{0x61}, pool...))
		done := []byte{0x71, 0x00, 0, 0, 0, 0, 0xFF, 0xFF}
		put32(done[2:], size)
		b.push(next(), toMachine, done...)
	}
	b.push(next(), toTask, 0x81, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	b.push(next(), toMachine, 0x91, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0xFF)
	// The task controller asks for the default set, and for the grain flow
	// every second.
	b.push(next(), toMachine, 0x02, 0x00, 0xFF, 0xDF, 0xFF, 0xFF, 0xFF, 0xFF)
	b.push(next(), toMachine, 0x04|elementYield<<4&0xF0, elementYield>>4, 87, 0, 0xE8, 0x03, 0x00, 0x00)
	b.valuesNS = at + 100e6
}
