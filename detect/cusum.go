package detect

// cusum is a one-sided tabular CUSUM (Page 1954): the sum of what values exceed
// a reference by, never under 0. Values and reference are in standard
// deviations, so that limit is in standard deviations x samples.
//
//	S = max(0, S + z - k);  a shift is found when S > h
type cusum struct {
	k, h float64
	sum  float64
	run  int // values since the sum was last 0: the estimate of how long the shift is there
}

// add takes a value and tells whether a shift is found. The sum is bounded, so
// that a shift that is over is forgotten in bounded time.
func (c *cusum) add(z float64) bool {
	c.sum += z - c.k
	switch {
	case !(c.sum > 0): // or not a number
		c.sum, c.run = 0, 0
	default:
		c.run++
		c.sum = min(c.sum, sumCap*c.h)
	}
	return c.sum > c.h
}

const sumCap = 4 // times the limit

func (c *cusum) clear() { c.sum, c.run = 0, 0 }

// limitFor is the limit h in sigma-seconds of a one-sided chart with k = 1.5 on
// noise with correlation time tau, for one false alarm in t0 seconds. It is the
// simulated design rule H = (tau/k)(ln(T0/tau) - c) of the two-sided chart, with
// half of T0 for one side; it holds within about 5 % for tau of 0.5 to 10 s.
func limitFor(tau, t0 float64) float64 {
	const k, c = 1.5, 3.5
	return tau / k * (ln(t0/2/tau) - c)
}
