package virtual

import (
	"math"
	"time"
)

// messages are all that the nodes send again and again, with the rates of
// SAE J1939-71, ISO 11783-7 and NMEA 2000.
func (c *Combine) messages() []message {
	const ms20, ms50, ms100, ms200, ms250, s1, s2, s5 = 2, 5, 10, 20, 25, 100, 200, 500
	list := []message{
		{id: id(3, 0xF004, addrEngine), every: ms20, fill: fillEEC1},
		{id: id(3, 0xF003, addrEngine), every: ms50, fill: fillEEC2},
		{id: id(6, 0xFEDF, addrEngine), every: ms250, fill: fillEEC3},
		{id: id(6, 0xFEE3, addrEngine), every: s5, fill: sendEC1},
		{id: id(6, 0xFEF2, addrEngine), every: ms100, fill: fillLFE},
		{id: id(6, 0xFEEE, addrEngine), every: s1, fill: fillET1},
		{id: id(6, 0xFEE5, addrEngine), every: s1, fill: fillHOURS},
		{id: id(6, 0xFECA, addrEngine), every: s1, fill: func(c *Combine, d *[8]byte) bool { return c.bus.faults.fill(c, addrEngine, d) }},
		{id: id(6, 0xFECA, addrMachine), every: s1, fill: func(c *Combine, d *[8]byte) bool { return c.bus.faults.fill(c, addrMachine, d) }},
		{id: id(3, 0xFE48, addrTractor), every: ms100, fill: fillWheelSpeed},
		{id: id(2, 0x1F801, addrGNSS), every: ms100, fill: fillPosition},
	}
	if c.set.process {
		list = append(list,
			message{id: id(3, 0xF022, addrTractor), every: ms100, fill: fillSelectedSpeed},
			message{id: id(3, 0xFE46, addrTractor), every: ms100, fill: fillHitch},
			message{id: id(2, 0x1F802, addrGNSS), every: ms250, fill: fillCourse},
			message{id: id(3, 0x1F010, addrGNSS), every: s1, fill: fillSystemTime},
			message{id: id(3, 0x1F805, addrGNSS), every: s1, fill: sendGNSS},
			message{id: id(6, 0xFEE6, addrTractor), every: s1, fill: fillTime},
			message{id: id(6, 0xFEE8, addrTractor), every: s1, fill: fillDirection},
			message{id: idTo(3, 0xCB00, addrGlobal, addrTask), every: s2, fill: fillTaskStatus},
			message{id: idTo(3, 0xCB00, addrTask, addrMachine), every: s2, fill: func(*Combine, *[8]byte) bool { return true }},
		)
		list = append(list, c.values()...)
	}
	if c.set.own {
		list = append(list,
			message{id: id(4, pgnRotor, addrMachine), every: ms100, fill: fillRotor},
			message{id: id(4, pgnFeeder, addrMachine), every: ms100, fill: fillFeeder},
			message{id: id(6, pgnLosses, addrLoss), every: ms200, fill: fillLosses},
			message{id: id(6, pgnReturns, addrTailings), every: ms200, fill: fillReturns},
			message{id: id(6, pgnQuality, addrMachine), every: s1, fill: fillQuality},
			message{id: id(6, pgnEngaged, addrMachine), every: 5 * ms100, fill: fillEngaged},
		)
	}
	return append(list, c.filler()...)
}

func (c *Combine) lost(g gauge) bool { return c.gauges[g].ailment == missing }

func fillEEC1(c *Combine, d *[8]byte) bool {
	if c.lost(engineSpeed) || c.lost(engineTorque) {
		return false
	}
	e := &c.eng
	n := &c.senseNoise
	d[0] = 0xF3
	torque := e.torquePct()
	if e.setRPM == 0 {
		torque = 0
	}
	d[1] = byte(raw(clamp(torque, 0, 125), 1, -125, 1))
	d[2] = byte(c.word(engineTorque, torque+0.3*n.normal(), 1, -125, 1))
	rpm := e.rpm
	if rpm > 0 {
		rpm += 0.8 * n.normal()
	}
	put16(d[3:], c.word(engineSpeed, rpm, 0.125, 0, 2))
	d[5] = addrEngine
	d[7] = d[1]
	return true
}

func fillEEC2(c *Combine, d *[8]byte) bool {
	if c.lost(engineLoad) {
		return false
	}
	d[0] = 0xFC
	d[1] = byte(raw(100*clamp(c.eng.setRPM/c.eng.governed(0), 0, 1), 0.4, 0, 1))
	d[2] = byte(c.word(engineLoad, c.sense.load, 1, 0, 1))
	d[6] = 250
	return true
}

func fillEEC3(c *Combine, d *[8]byte) bool {
	d[0] = byte(raw(100*c.eng.frictionNm()/c.eng.referenceNm, 1, -125, 1))
	put16(d[1:], raw(c.eng.setRPM, 0.125, 0, 2))
	d[3] = 125
	return true
}

// sendEC1 broadcasts the engine's torque curve; the frame itself is not sent.
func sendEC1(c *Combine, _ *[8]byte) bool {
	e := &c.eng
	data := make([]byte, 34)
	for i := range data {
		data[i] = 0xFF
	}
	at := func(speed float64) byte {
		return byte(raw(100*(e.available(speed*e.ratedRPM)+frictionShare(speed)*e.referenceNm)/e.referenceNm, 1, -125, 1))
	}
	for i, speed := range [...]float64{lowIdle, 1.0, 0.95, 0.80, 0.70} { // points 1 to 5
		put16(data[3*i:], raw(speed*e.ratedRPM, 0.125, 0, 2))
		data[3*i+2] = at(speed)
	}
	put16(data[15:], raw(e.governed(0), 0.125, 0, 2))
	put16(data[17:], raw(100*e.ratedNm/e.referenceNm/(droop*e.ratedRPM), 1.0/1280, 0, 2))
	put16(data[19:], raw(e.referenceNm, 1, 0, 2))
	put16(data[30:], raw(e.inertia, 0.004, 0, 2))
	c.broadcast(addrEngine, 0xFEE3, data)
	return false
}

func fillLFE(c *Combine, d *[8]byte) bool {
	if c.lost(fuelRate) {
		return false
	}
	rate := c.body.fuelLH
	put16(d[0:], c.word(fuelRate, max(0, rate*(1+0.004*c.senseNoise.normal())), 0.05, 0, 2))
	if rate > 0 {
		put16(d[2:], raw(min(c.speedMS*3.6/rate, 125), 1.0/512, 0, 2))
	}
	return true
}

func fillET1(c *Combine, d *[8]byte) bool {
	if c.lost(coolant) {
		return false
	}
	d[0] = byte(c.word(coolant, c.body.coolantC, 1, -40, 1))
	d[1] = byte(raw(c.body.ambientC+9, 1, -40, 1))
	put16(d[2:], raw(c.body.oilC, 1.0/32, -273, 2))
	return true
}

func fillHOURS(c *Combine, d *[8]byte) bool {
	put32(d[0:], raw(c.body.engineH, 0.05, 0, 4))
	return true
}

func fillWheelSpeed(c *Combine, d *[8]byte) bool {
	if c.lost(groundSpeed) {
		return false
	}
	put16(d[0:], c.word(groundSpeed, c.sense.speed*3.6, 0.0036, 0, 2))
	put32(d[2:], uint32(math.Mod(c.body.distanceMM, 4211081216)))
	d[7] = 0xF5 // forward, key on
	if c.op.phase == keyOff {
		d[7] = 0xF1
	}
	return true
}

// fillSelectedSpeed sends the machine selected speed, blended from wheels and
// navigation.
func fillSelectedSpeed(c *Combine, d *[8]byte) bool {
	put16(d[0:], raw(0.5*(c.sense.speed+c.sense.gps), 0.001, 0, 2))
	put32(d[2:], uint32(math.Mod(c.body.distanceMM, 4211081216)))
	d[7] = 1 | 3<<2 // forward, blended, not limited
	return true
}

// fillHitch reports the header as the front hitch.
func fillHitch(c *Combine, d *[8]byte) bool {
	d[0] = byte(raw(100*(c.body.headerMM-c.levers.usual[leverCut]+150)/1100, 0.4, 0, 1))
	d[1] = 0x3F
	if c.headerWorking() {
		d[1] |= 1 << 6
	}
	d[1] &^= 0x38 // not limited
	return true
}

func fillPosition(c *Combine, d *[8]byte) bool {
	put32(d[0:], uint32(int32(math.Round(c.sense.latitude*1e7))))
	put32(d[4:], uint32(int32(math.Round(c.sense.longitude*1e7))))
	return true
}

func fillCourse(c *Combine, d *[8]byte) bool {
	d[1] = 0xFC // true north
	course := math.Mod(c.sense.course+2*math.Pi, 2*math.Pi)
	put16(d[2:], uint32(course*1e4))
	put16(d[4:], uint32(c.sense.gps*100+0.5))
	return true
}

func (c *Combine) utc() time.Time { return time.Unix(0, c.startNS+c.tick*tickNS).UTC() }

func fillSystemTime(c *Combine, d *[8]byte) bool {
	ns := c.startNS + c.tick*tickNS
	day := ns / 86400e9
	d[1] = 0xF0
	put16(d[2:], uint32(day))
	put32(d[4:], uint32((ns-day*86400e9)/1e5))
	return true
}

func fillTime(c *Combine, d *[8]byte) bool {
	t := c.utc()
	d[0] = byte(t.Second()*4 + t.Nanosecond()/250e6)
	d[1] = byte(t.Minute())
	d[2] = byte(t.Hour())
	d[3] = byte(t.Month())
	d[4] = byte(t.Day()*4 - 3)
	d[5] = byte(t.Year() - 1985)
	d[6], d[7] = 125, 125
	return true
}

// fillDirection sends compass, speed, pitch and altitude (PGN 65256).
func fillDirection(c *Combine, d *[8]byte) bool {
	bearing := math.Mod(c.sense.course*180/math.Pi+360, 360)
	put16(d[0:], raw(bearing, 1.0/128, 0, 2))
	put16(d[2:], raw(c.sense.gps*3.6, 1.0/256, 0, 2))
	put16(d[4:], raw(math.Atan(c.field.grade)*180/math.Pi+0.1*c.senseNoise.normal(), 1.0/128, -200, 2))
	put16(d[6:], raw(c.sense.altitude, 0.125, -2500, 2))
	return true
}

// sendGNSS sends a GNSS position as a fast packet; the frame itself is not
// sent.
func sendGNSS(c *Combine, _ *[8]byte) bool {
	ns := c.startNS + c.tick*tickNS
	day := ns / 86400e9
	var p [43]byte
	p[0] = c.bus.gnssSeq
	put16(p[1:], uint32(day))
	put32(p[3:], uint32((ns-day*86400e9)/1e5))
	put64(p[7:], int64(math.Round(c.sense.latitude*1e9))*1e7)
	put64(p[15:], int64(math.Round(c.sense.longitude*1e9))*1e7)
	put64(p[23:], int64(math.Round(c.sense.altitude*1e3))*1e3)
	p[31] = 4<<4 | 4 // RTK fixed
	p[32] = 0xFD
	p[33] = 17
	put16(p[34:], 70)
	put16(p[36:], 130)
	put32(p[38:], 4400)
	c.bus.fast(ns+3e6, id(3, 0x1F805, addrGNSS), c.bus.gnssSeq&7, p[:])
	c.bus.gnssSeq++
	return false
}

func put64(d []byte, v int64) {
	put32(d, uint32(v))
	put32(d[4:], uint32(v>>32))
}

// fillTaskStatus: a task is running.
func fillTaskStatus(_ *Combine, d *[8]byte) bool {
	*d = [8]byte{0xFE, 0xFF, 0xFF, 0xFF, 0x01, 0x00, 0x00, 0x00}
	return true
}
