package virtual

import "math"

func fillRotor(c *Combine, d *[8]byte) bool {
	if c.lost(rotorSpeed) {
		return false
	}
	rpm := c.rot.rpm()
	if rpm > 5 {
		rpm += 1.2 * c.senseNoise.normal()
	}
	put16(d[0:], c.word(rotorSpeed, rpm, 0.125, 0, 2))
	put16(d[2:], raw(rpmOf(c.rot.nominal), 0.125, 0, 2))
	d[4] = byte(raw(100*c.rot.grip, 0.4, 0, 1))
	return true
}

func fillFeeder(c *Combine, d *[8]byte) bool {
	if c.lost(feederLoad) {
		return false
	}
	v := c.word(feederLoad, c.sense.feeder, 0.01, 0, 2)
	d[0] = byte(raw(100*c.rot.grip, 0.4, 0, 1))
	d[2], d[3] = byte(v>>8), byte(v)
	return true
}

func fillLosses(c *Combine, d *[8]byte) bool {
	if c.lost(separationLoss) || c.lost(cleaningLoss) {
		return false
	}
	put16(d[0:], c.word(separationLoss, c.sense.separation, 0.01, 0, 2))
	put16(d[2:], c.word(cleaningLoss, c.sense.cleaning, 0.01, 0, 2))
	return true
}

func fillReturns(c *Combine, d *[8]byte) bool {
	if c.lost(returnsLevel) {
		return false
	}
	d[0] = 1
	put16(d[1:], c.word(returnsLevel, c.sense.returns, 0.01, 0, 2))
	return true
}

func fillQuality(c *Combine, d *[8]byte) bool {
	if c.lost(brokenGrain) || c.lost(trashLevel) {
		return false
	}
	put16(d[0:], c.word(brokenGrain, c.sense.broken, 0.01, 0, 2))
	put16(d[2:], c.word(trashLevel, c.sense.trash, 0.01, 0, 2))
	return true
}

func fillEngaged(c *Combine, d *[8]byte) bool {
	d[0] = 0xFC
	if c.threshing() {
		d[0] |= 1
	}
	return true
}

// filler is traffic that means nothing to a listener, as most traffic of a
// real machine: pressures, currents, counters. It moves with the machine, so
// that who searches it is kept honest.
func (c *Combine) filler() []message {
	const ms20, ms50, ms100 = 2, 5, 10
	var list []message
	add := func(n int, every int64, priority uint32, source uint8, first uint32) {
		for i := range n {
			k := first + uint32(i)
			count := byte(0)
			drift := newWander(1, 20, float64(every)*fastS)
			list = append(list, message{id: id(priority, k, source), every: every, fill: func(c *Combine, d *[8]byte) bool {
				n := drift.step(&c.busNoise)
				count++
				switch k % 4 {
				case 0:
					put16(d[0:], raw(c.eng.rpm*(0.31+0.02*float64(k%7))+3*n, 0.25, 0, 2))
					put16(d[2:], raw(200+c.use.propulsion*4+20*n, 0.5, 0, 2))
					d[4] = byte(raw(50+10*n, 0.4, 0, 1))
				case 1:
					put16(d[1:], raw(1200+c.use.header*25+60*n, 1, 0, 2))
					put16(d[4:], raw(30+4*n, 0.01, 0, 2))
				case 2:
					d[0] = byte(raw(125+30*math.Tanh(n), 1, 0, 1))
					d[1] = d[0]
					put16(d[3:], raw(3000+400*n, 1, 0, 2))
				default:
					put16(d[2:], raw(c.speedMS*97+5*n, 0.1, 0, 2))
					d[5] = byte(raw(24+n, 0.2, 0, 1))
				}
				d[7] = count & 0x0F
				return true
			}})
		}
	}
	add(1, ms20, 3, addrTransmission, pgnFillFirst)
	add(3, ms50, 4, addrMachine, pgnFillFirst+8)
	add(4, ms100, 6, addrMachine, pgnFillFirst+12)
	add(3, ms100, 6, addrHeader, pgnFillFirst+20)
	if c.set.process {
		add(2, ms50, 6, addrTransmission, pgnFillFirst+24)
	}
	return list
}

// sends tells whether the machine has the signal on its bus.
func (c *Combine) sends(g gauge) bool {
	switch g {
	case rotorSpeed, feederLoad, separationLoss, cleaningLoss, returnsLevel, brokenGrain, trashLevel:
		return c.set.own
	case grainFlow, grainMoisture:
		return c.set.process
	}
	return true
}

// with are the other signals in the same frame.
func (g gauge) with() []gauge {
	switch g {
	case engineSpeed:
		return []gauge{engineTorque}
	case engineTorque:
		return []gauge{engineSpeed}
	case separationLoss:
		return []gauge{cleaningLoss}
	case cleaningLoss:
		return []gauge{separationLoss}
	case brokenGrain:
		return []gauge{trashLevel}
	case trashLevel:
		return []gauge{brokenGrain}
	}
	return nil
}
