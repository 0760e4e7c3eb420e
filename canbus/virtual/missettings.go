package virtual

// Missettings draws a machine that is badly set for its crop: one lever, or two
// of them, are 2 to 5 usual steps off, within their range. The result suits
// Scenario.Settings; the same seed gives the same. Ground speed is left to the
// operator.
func Missettings(seed uint64, s Scenario) map[string]float64 {
	s = s.withDefaults()
	m, ok := modelNamed(s.Machine)
	if !ok {
		m = models[2]
	}
	c, ok := cropNamed(s.Crop)
	if !ok {
		c = crops[0]
	}
	c.YieldTHa, c.MOGRatio = s.YieldTHa, s.MOGRatio
	usual := usualPositions(&m, &c, s.LoadPct)
	r := newStream(seed, 83)
	off := map[string]float64{}
	want := 1 + int(r.next()%2)
	for len(off) < want {
		l := leverRotor + int(r.next()%(leverCount-leverRotor))
		steps := r.between(2, 5)
		if r.unit() < 0.5 {
			steps = -steps
		}
		if _, err := leverNamed(levers[l].name, &c); err != nil {
			continue
		}
		step := stepOf(l, &c, usual[l])
		low, high := reach(l, &c, usual[l])
		v := clamp(usual[l]+steps*step, low, high)
		if d := (v - usual[l]) / step; d > -2 && d < 2 {
			continue // it does not go so far
		}
		off[levers[l].name] = v
	}
	return off
}
