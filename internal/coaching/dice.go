package coaching

import "math/rand/v2"

// dice are the chances of a case: the same for the same seed.
type dice struct{ r *rand.Rand }

func newDice(seed, part uint64) dice { return dice{rand.New(rand.NewPCG(seed, part))} }

func (d dice) between(a, b float64) float64 { return a + (b-a)*d.r.Float64() }
