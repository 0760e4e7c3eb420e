package daemon

import (
	"sync"

	"chaffinch/canbus"
)

// rate is frames and bits a second, over the last whole second of stamps.
type rate struct {
	mu           sync.Mutex
	second       int64 // the second that is being counted
	frames, bits int
	lastFrames   int
	lastBits     int
}

func (r *rate) add(frames []canbus.Frame) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range frames {
		r.roll(frames[i].Stamp)
		r.frames++
		r.bits += canbus.FrameBits(&frames[i])
	}
}

func (r *rate) now(stamp int64) (framesPerS, bitsPerS float64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.roll(stamp)
	return float64(r.lastFrames), float64(r.lastBits)
}

func (r *rate) roll(stamp int64) {
	second := stamp / 1e9
	switch {
	case second <= r.second:
		return
	case second == r.second+1:
		r.lastFrames, r.lastBits = r.frames, r.bits
	default:
		r.lastFrames, r.lastBits = 0, 0
	}
	r.second, r.frames, r.bits = second, 0, 0
}
