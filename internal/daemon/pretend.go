package daemon

import (
	"context"
	"io"
	"sync"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/publish"
)

// Pretend is the bus of a make-believe combine, at its own pace or faster. Its
// frames carry dates, which are right by definition.
type Pretend struct {
	mu      sync.Mutex // guards the combine: its levers are moved from elsewhere
	combine *virtual.Combine

	clock Clock
	speed float64
	rate  rate

	began  int64          // on the clock that never jumps
	taken  int64          // when frames were last handed over, on that clock
	origin int64          // stamp of the first frame
	held   []canbus.Frame // made, and not due yet
	buffer [512]canbus.Frame
	over   bool
}

// NewPretend starts a combine whose first frame bears origin, at speed times
// its own pace.
func NewPretend(combine *virtual.Combine, origin time.Time, speed float64, clock Clock) *Pretend {
	return &Pretend{combine: combine, clock: clock, speed: speed, began: clock.Mono(), origin: origin.UnixNano()}
}

// Read waits for frames that are due.
func (p *Pretend) Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error) {
	if len(p.held) == 0 {
		if p.over {
			return 0, 0, io.EOF
		}
		p.mu.Lock()
		n, over := p.combine.Next(p.buffer[:])
		p.mu.Unlock()
		p.held, p.over = p.buffer[:n], over
		if n == 0 {
			return 0, 0, nil
		}
	}
	// In bunches, as those of a real bus are taken.
	soonest := p.taken + int64(canbus.Gather) - p.clock.Mono()
	if wait := max(p.due(p.held[0].Stamp), time.Duration(soonest)); wait > 0 {
		timer := time.NewTimer(min(wait, pollEvery))
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return 0, 0, ctx.Err()
		}
	} else if ctx.Err() != nil {
		return 0, 0, ctx.Err()
	}
	now := p.Stamp()
	for n < len(dst) && n < len(p.held) && p.held[n].Stamp <= now {
		dst[n] = p.held[n]
		n++
	}
	all := n < len(dst) && n < len(p.held) // that are due
	p.held = p.held[n:]
	if n == 0 {
		// The next frame is known and not due: the bus is silent until now.
		return 0, min(p.Stamp(), p.held[0].Stamp-1), nil
	}
	if all {
		p.taken = p.clock.Mono()
	}
	p.rate.add(dst[:n])
	return n, 0, nil
}

// Set moves a lever of the make-believe combine, as its operator would. It takes
// effect within a second. The error is that the machine cannot do that.
func (p *Pretend) Set(lever string, value float64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.combine.Set(lever, value)
}

// Stay has its operator stand for so many seconds at the end of the pass.
func (p *Pretend) Stay(seconds float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.combine.Stay(seconds)
}

// due is how long it is until a stamp.
func (p *Pretend) due(stamp int64) time.Duration {
	return time.Duration(float64(stamp-p.Stamp()) / p.speed)
}

// Stamp is now, in the make-believe day.
func (p *Pretend) Stamp() int64 {
	return p.origin + int64(float64(p.clock.Mono()-p.began)*p.speed)
}

// Wall is the date in the make-believe day.
func (p *Pretend) Wall(stamp int64) (time.Time, bool) { return time.Unix(0, stamp), true }

// Bus is how the bus is.
func (p *Pretend) Bus() publish.Bus {
	perSecond, bits := p.rate.now(p.Stamp())
	return publish.Bus{State: "up", FramesPerS: perSecond, LoadPct: 100 * bits / 250_000}
}

// Trouble is nothing: what goes wrong there is make-believe as well.
func (p *Pretend) Trouble() string { return "" }
