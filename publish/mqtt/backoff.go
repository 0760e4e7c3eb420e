package mqtt

import "time"

const (
	shortestPause = time.Second
	longestPause  = time.Minute
	// steadyAfter is how long a connection must have held for the next pause
	// to be the shortest again.
	steadyAfter = time.Minute
)

// backoff gives the pause before the next attempt to connect: from 1 s it
// doubles to 60 s. Each is shortened by up to a quarter at random, so that
// machines that lost the same broker do not come back together.
type backoff struct {
	random   func() float64 // from 0 to below 1
	shortest time.Duration
	last     time.Duration // before shortening
}

func (b *backoff) next() time.Duration {
	b.last = min(max(2*b.last, b.shortest), longestPause)
	return b.last - time.Duration(b.random()*float64(b.last)/4)
}

func (b *backoff) reset() { b.last = 0 }
