package virtual

// Best looks for the settings that cost least in steady work, within the range
// of each lever and the owner's limits, by the names of signals as in Scenario
// (nil for none). It returns them, the levels that they lead to, and what they
// cost, in % of the worth of the crop (see Condition). A lever that is not
// worth moving stays at the crop's usual setting.
func (c *Combine) Best(limits map[string]Limit) (settings map[string]float64, levels Levels, cost float64) {
	var low, high positions
	at := c.levers.usual
	for l := range levers {
		low[l], high[l] = reach(l, &c.crop, c.levers.usual[l])
		limit := limits[levers[l].signal]
		if limit.Min != nil {
			low[l] = max(low[l], min(*limit.Min, high[l]))
		}
		if limit.Max != nil {
			high[l] = min(high[l], max(*limit.Max, low[l]))
		}
		at[l] = clamp(at[l], low[l], high[l])
	}
	price := func(p *positions) float64 {
		l := c.steady(p)
		return l.cost(c.flow.fullTH)
	}
	cost = price(&at)
	// One lever after another, by ever smaller parts of its usual step, until
	// none pays any more.
	for _, part := range [...]float64{2, 1, 0.5, 0.25, 0.125} {
		for round, better := 0, true; better && round < 60; round++ {
			better = false
			for l := range levers {
				if low[l] >= high[l] {
					continue
				}
				step := part * stepOf(l, &c.crop, c.levers.usual[l])
				for _, d := range [...]float64{step, -step} {
					try := at
					try[l] = clamp(at[l]+d, low[l], high[l])
					if p := price(&try); p < cost-1e-9 {
						at, cost, better = try, p, true
						break
					}
				}
			}
		}
	}
	return c.named(&at), c.steady(&at), cost
}
