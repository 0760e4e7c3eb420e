package virtual

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// At the end of a round the wheels are straight, however the length of the
// round was rounded: nobody turns for ever.
func TestARoundEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.Float64Range(4, 14).Draw(t, "width")
		o := operator{phase: headland, dir: 1, turnR: max(6, 0.56*width) * rapid.Float64Range(1, 1.25).Draw(t, "radius")}
		o.turnAlpha = math.Acos(min(1, (width+2*o.turnR)/(4*o.turnR)))
		o.turnM = o.roundM()
		if rate := o.turnRate(); rate != 0 {
			t.Fatalf("at the end of a round of %v m he still turns, %g rad/m", o.turnM, rate)
		}
		o.turnM = entryRunM + o.turnR*math.Pi
		if o.turnRate() == 0 {
			t.Fatal("in the middle of a round he does not turn")
		}
	})
}

// Whatever the seed, the machine comes to the field and cuts for a third of
// its time there or more. Most seeds are only followed until they have cut for
// a while.
func TestEverySeedCuts(t *testing.T) {
	last := uint64(400)
	if testing.Short() {
		last = 100
	}
	for seed := uint64(1); seed <= last; seed++ {
		c := New(Random(seed, 2), seed)
		whole := seed%40 == 0
		field, cuts := 0, 0
		for c.tick < c.endTick && !c.stopped {
			c.advance()
			if c.tick%100 != 0 {
				continue
			}
			switch c.op.phase {
			case cutting, headland, toCart, atCart, clearing:
				field++
			}
			if c.whatItDoes() == "cutting" {
				cuts++
			}
			if field > 90 && !whole {
				break
			}
		}
		if field <= 90 || 3*cuts < field {
			t.Errorf("seed %d: %d s in the field, of these %d s cutting", seed, field, cuts)
		}
	}
}
