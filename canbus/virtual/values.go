package virtual

// value is a process data value that the machine control gives the task
// controller (ISO 11783-10, ISO 11783-11).
type value struct {
	element int
	ddi     uint16
	every   int64 // ticks
	change  int32 // sent when it has changed by so much; 0: always
	now     func(c *Combine) (v int32, ok bool)
}

func (c *Combine) values() []message {
	const ms100, s1 = 10, 100
	mm := func(lever int) func(*Combine) (int32, bool) {
		return func(c *Combine) (int32, bool) { return int32(c.levers.at[lever] + 0.5), true }
	}
	flag := func(on func(*Combine) bool) func(*Combine) (int32, bool) {
		return func(c *Combine) (int32, bool) {
			if on(c) {
				return 1, true
			}
			return 0, true
		}
	}
	list := []value{
		{elementHeader, 67, ms100, 1, func(c *Combine) (int32, bool) { return int32(c.op.cutWidthM*1000 + 0.5), true }},
		{elementHeader, 62, 2 * ms100, 25, func(c *Combine) (int32, bool) { return int32(c.body.headerMM + 0.5), true }},
		{elementHeader, 237, ms100, 1, flag((*Combine).headerWorking)},
		{elementHeader, 141, ms100, 1, flag(func(c *Combine) bool { return c.headerWorking() && c.threshing() && c.speedMS > 0.14 })},
		{elementSeparator, 243, s1, 1, mm(leverLower)},
		{elementSeparator, 247, s1, 1, mm(leverUpper)},
		{elementSeparator, 251, s1, 1, mm(leverConcave)},
		{elementSeparator, 255, s1, 80, func(c *Combine) (int32, bool) {
			return int32(c.crop.FanRPM / 60 * 1000 * c.rot.grip * c.eng.rpm / c.eng.reference()), true
		}},
		{elementSeparator, 236, s1, 1, func(c *Combine) (int32, bool) { return int32(c.body.threshedS), true }},
		{elementYield, 87, s1, 0, func(c *Combine) (int32, bool) {
			return c.processed(grainFlow, c.sense.grainTH, 1/3.6e-6)
		}},
		{elementYield, 98, s1, 0, func(c *Combine) (int32, bool) {
			return int32((c.flow.separationPct + c.flow.cleaningPct) * 1e4), true
		}},
		{elementMoisture, 99, s1, 0, func(c *Combine) (int32, bool) {
			return c.processed(grainMoisture, c.sense.moisture, 1e4)
		}},
		{elementTank, 240, ms100, 1, func(c *Combine) (int32, bool) {
			if c.unloading() {
				return 0x0301, true // loading is not installed
			}
			return 0x0300, true
		}},
		{elementTank, 467, s1, 50, func(c *Combine) (int32, bool) {
			return int32(10000 * c.body.tankT / c.tankFullT()), true
		}},
	}
	var out []message
	for _, v := range list {
		out = append(out, v.message())
	}
	return out
}

// message sends the value to the task controller, once it has been
// introduced.
func (v value) message() message {
	last, sent, session := int32(0), false, -1
	return message{id: idTo(3, 0xCB00, addrTask, addrMachine), every: v.every, fill: func(c *Combine, d *[8]byte) bool {
		if c.bus.wakings != session {
			session, sent = c.bus.wakings, false
		}
		if c.startNS+c.tick*tickNS < c.bus.valuesNS {
			return false
		}
		now, ok := v.now(c)
		if !ok || sent && v.change > 0 && now-last < v.change && last-now < v.change {
			return false
		}
		last, sent = now, true
		d[0] = 3 | byte(v.element<<4)
		d[1] = byte(v.element >> 4)
		put16(d[2:], uint32(v.ddi))
		put32(d[4:], uint32(now))
		return true
	}}
}

// processed is a measured value on its way into process data, which has no
// indicators: a sensor that is silent or faulty gives nothing.
func (c *Combine) processed(g gauge, v, scale float64) (int32, bool) {
	s := &c.gauges[g]
	switch s.ailment {
	case notAvailable, missing, faulty:
		return 0, false
	case stuck:
		if !s.holds {
			s.held, s.holds = uint32(int32(v*scale)), true
		}
		return int32(s.held), true
	case absurd:
		v = gaugeInfo[g].absurd
	case drifting:
		v *= s.gain
	}
	return int32(v * scale), true
}

// inProcess tells whether the signal comes as process data.
func (g gauge) inProcess() bool { return g == grainFlow || g == grainMoisture }
