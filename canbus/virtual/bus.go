package virtual

import "chaffinch/canbus"

// bus puts the nodes' frames on the wire in order of time, one after another
// at 250 kbit/s.
type bus struct {
	out      []canbus.Frame // of the present tick
	read     int            // of out, given to the caller
	wireNS   int64          // when the wire is free
	firstNS  int64          // stamp of the first frame
	begun    bool
	awake    bool
	list     []message
	due      []dueFrame
	queue    []queued // frames of transport sessions, by time
	bamNS    [256]int64
	faults   faults
	gnssSeq  uint8
	wakings  int   // how often the bus woke
	valuesNS int64 // when the task controller begins to hear values
}

// message is a frame that is sent again and again.
type message struct {
	id      uint32
	every   int64 // ticks
	next    int64 // tick
	phaseNS int64 // within the tick
	jitter  float64
	// fill writes the data, or says that nothing is to be sent this time.
	fill func(c *Combine, d *[8]byte) bool
}

type dueFrame struct {
	atNS  int64
	frame canbus.Frame
}

type queued struct {
	atNS  int64
	frame canbus.Frame
}

// frameNS is how long a frame holds the wire at 250 kbit/s: 67 bits and 8 for
// each byte without stuffing, and about 4 stuff bits a frame on average.
func frameNS(bytes int) int64 { return int64(67+8*bytes+7) * 4000 }

func newBus(c *Combine) bus {
	b := bus{out: make([]canbus.Frame, 0, 64), due: make([]dueFrame, 0, 64)}
	b.list = c.messages()
	for i := range b.list {
		m := &b.list[i]
		m.next = int64(c.busNoise.unit() * float64(m.every))
		m.phaseNS = int64(c.busNoise.unit() * 9.5e6)
		m.jitter = 2e5
	}
	return b
}

// send puts the frames of this tick into out.
func (c *Combine) send() {
	b := &c.bus
	t0 := c.startNS + c.tick*tickNS
	if c.op.phase == asleep || c.script.activeKind("bus-silent") != nil {
		if c.op.phase == asleep {
			b.awake = false
		}
		b.queue = b.queue[:0]
		for i := range b.list {
			if m := &b.list[i]; m.next <= c.tick {
				m.next += m.every
			}
		}
		return
	}
	if !b.awake {
		b.awake = true
		c.wake(t0)
	}
	b.due = b.due[:0]
	for i := range b.list {
		m := &b.list[i]
		if m.next > c.tick {
			continue
		}
		m.next = max(m.next+m.every, c.tick+1)
		f := canbus.Frame{ID: m.id, Len: 8, Flags: canbus.Extended, Data: allOnes}
		if m.fill(c, &f.Data) {
			b.due = append(b.due, dueFrame{t0 + m.phaseNS + int64(m.jitter*c.busNoise.unit()), f})
		}
	}
	n := 0
	for n < len(b.queue) && b.queue[n].atNS < t0+tickNS {
		b.due = append(b.due, dueFrame(b.queue[n]))
		n++
	}
	if n > 0 {
		b.queue = b.queue[:copy(b.queue, b.queue[n:])]
	}
	for i := 1; i < len(b.due); i++ { // few, and nearly in order
		for j := i; j > 0 && b.due[j].atNS < b.due[j-1].atNS; j-- {
			b.due[j], b.due[j-1] = b.due[j-1], b.due[j]
		}
	}
	errors := c.script.activeKind("bus-errors")
	for i := range b.due {
		f := &b.due[i].frame
		at := max(b.due[i].atNS, b.wireNS)
		for errors != nil && c.errorNoise.unit() < errors.Size/100 {
			at = b.destroy(at, int(f.Len))
		}
		b.wireNS = at + frameNS(int(f.Len))
		f.Stamp = at / 1000 * 1000
		if !b.begun {
			b.begun, b.firstNS = true, f.Stamp
		}
		b.out = append(b.out, *f)
	}
}

// destroy puts the report of a frame that was destroyed half way, and will be
// sent again, on the bus. It returns when the wire is free: 23 bits after the
// error was seen, for flag, its echo, delimiter and pause (ISO 11898-1).
func (b *bus) destroy(atNS int64, bytes int) int64 {
	atNS += frameNS(bytes) / 2
	report := canbus.Frame{
		ID:    canbus.ErrProtocol | canbus.ErrBus,
		Len:   8,
		Flags: canbus.ErrorFrame,
		Stamp: atNS / 1000 * 1000,
		Data:  [8]byte{2: 0x04}, // a stuff error
	}
	if b.begun {
		b.out = append(b.out, report)
	}
	return atNS + 23*4000
}

var allOnes = [8]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}

// push queues a frame of 8 bytes, or fewer, for a time.
func (b *bus) push(atNS int64, id uint32, data ...byte) {
	f := canbus.Frame{ID: id, Len: uint8(len(data)), Flags: canbus.Extended}
	copy(f.Data[:], data)
	i := len(b.queue)
	b.queue = append(b.queue, queued{})
	for ; i > 0 && b.queue[i-1].atNS > atNS; i-- {
		b.queue[i] = b.queue[i-1]
	}
	b.queue[i] = queued{atNS, f}
}

func id(priority, pgn uint32, source uint8) uint32 {
	return priority<<26 | pgn<<8 | uint32(source)
}

func idTo(priority, pgn uint32, destination, source uint8) uint32 {
	return priority<<26 | pgn<<8 | uint32(destination)<<8 | uint32(source)
}

func put16(d []byte, v uint32) { d[0], d[1] = byte(v), byte(v>>8) }
func put32(d []byte, v uint32) {
	d[0], d[1], d[2], d[3] = byte(v), byte(v>>8), byte(v>>16), byte(v>>24)
}
