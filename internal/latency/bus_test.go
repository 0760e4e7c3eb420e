package latency

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
)

const (
	faultyNode = 0x55 // reports the fault codes
	firstSPN   = 520192
	window     = 20 * time.Millisecond // frames are made for so long ahead
)

// bus is a make-believe combine in real time, as much other traffic as is asked
// for, and a node with one fault code after another: each is reported twice, which
// raises it, and then no more, which ends it.
//
// A second core hears each frame just before the daemon does. The core is
// deterministic, so it tells which frame makes the daemon's raise. The time counts
// from the moment that the frame was on the bus: it may wait there for others, as
// with a real bus (canbus.Gather).
type bus struct {
	combine *virtual.Combine
	shadow  *core.Core
	perS    int           // frames a second, with those of the combine
	report  time.Duration // between two reports of fault codes
	alerts  int

	origin int64 // stamp of the beginning
	began  time.Time

	made     []canbus.Frame // not handed over, in order
	until    int64          // they reach to here
	next     [2]int64       // stamp of the next report and of the next other frame
	reports  int
	buffer   []canbus.Frame
	over     bool
	raisedBy string // the subject that the newest frame has raised
	taken    time.Time

	mu     sync.Mutex
	start  bool
	heard  map[string]time.Time // when the frame was on the bus, by subject
	frames int
}

func newBus(cfg *config.Config, s virtual.Scenario, origin time.Time, perS, alerts int, report time.Duration) (*bus, error) {
	b := &bus{combine: virtual.New(s, 1), perS: perS, alerts: alerts, report: report,
		origin: origin.UnixNano(), began: time.Now(), heard: map[string]time.Time{}}
	b.until = b.origin
	b.next = [2]int64{b.origin, b.origin}
	var err error
	b.shadow, err = core.New(cfg, core.Outputs{Event: func(e *detect.Event) {
		if e.Kind == "fault-code" && e.Phase == detect.Raised && ours(e.Subject) {
			b.raisedBy = e.Subject
		}
	}})
	return b, err
}

func subject(n int) string { return fmt.Sprintf("%d-5@%d", firstSPN+n, faultyNode) }

func ours(subject string) bool {
	var spn, fmi, address int
	n, err := fmt.Sscanf(subject, "%d-%d@%d", &spn, &fmi, &address)
	return n == 3 && err == nil && address == faultyNode && spn >= firstSPN
}

// begin lets the fault codes come.
func (b *bus) begin() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.start = true
}

// Read hands over what is due, up to a frame that raises.
func (b *bus) Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error) {
	if len(b.made) == 0 {
		b.make()
	}
	if wait := max(time.Duration(b.made[0].Stamp-b.Stamp()), canbus.Gather-time.Since(b.taken)); wait > 0 {
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
	if ctx.Err() != nil {
		return 0, 0, ctx.Err()
	}
	now := b.Stamp()
	for b.until <= now {
		b.make()
	}
	for n < len(dst) && n < len(b.made) && b.made[n].Stamp <= now && b.raisedBy == "" {
		dst[n] = b.made[n]
		heard := b.made[n] // the core writes into it
		b.shadow.Frame(&heard)
		n++
	}
	b.made = b.made[n:]
	b.mu.Lock()
	defer b.mu.Unlock()
	b.frames += n
	if b.raisedBy == "" {
		b.taken = time.Now()
	} else {
		b.heard[b.raisedBy] = b.began.Add(time.Duration(dst[n-1].Stamp - b.origin))
		b.raisedBy = ""
	}
	return n, 0, nil
}

// make makes the frames of the next window.
func (b *bus) make() {
	b.until += int64(window)
	for !b.over && (len(b.buffer) == 0 || b.buffer[len(b.buffer)-1].Stamp < b.until) {
		var some [256]canbus.Frame
		var n int
		n, b.over = b.combine.Next(some[:])
		b.buffer = append(b.buffer, some[:n]...)
	}
	own := 0
	for own < len(b.buffer) && b.buffer[own].Stamp < b.until {
		own++
	}
	left := len(b.made)
	b.made = append(b.made, b.buffer[:own]...)
	b.buffer = b.buffer[own:]
	b.mu.Lock()
	start := b.start
	b.mu.Unlock()
	for ; b.next[0] < b.until; b.next[0] += int64(b.report) {
		b.made = append(b.made, b.faults(b.next[0], start))
	}
	// The others fill up what the combine and the reports leave.
	if more := int(window.Seconds()*float64(b.perS)) - (len(b.made) - left); more > 0 {
		step := int64(window) / int64(more)
		for i := range int64(more) {
			at := b.until - int64(window) + i*step
			b.made = append(b.made, canbus.Frame{Stamp: at, ID: 0x18FF0000 | uint32(i%64)<<8 | 0x77, Len: 8, Flags: canbus.Extended,
				Data: [8]byte{byte(at), byte(at >> 8), byte(at >> 16), byte(i), 1, 2, 3, 4}})
		}
	}
	slices.SortStableFunc(b.made, func(x, y canbus.Frame) int { return int(min(1, max(-1, x.Stamp-y.Stamp))) })
}

// faults is a DM1 (SAE J1939-73) with a code twice, and then twice without; the
// red lamp is lit with it.
func (b *bus) faults(at int64, start bool) canbus.Frame {
	f := canbus.Frame{Stamp: at, ID: 0x18FECA00 | faultyNode, Len: 8, Flags: canbus.Extended, Data: [8]byte{0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF}}
	if !start || b.reports >= 4*b.alerts {
		return f
	}
	if b.reports%4 < 2 {
		spn := firstSPN + b.reports/4
		f.Data = [8]byte{1 << 4, 0xFF, byte(spn), byte(spn >> 8), byte(spn>>16)<<5 | 5, 1, 0xFF, 0xFF}
	}
	b.reports++
	return f
}

func (b *bus) when(subject string) (time.Time, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	t, ok := b.heard[subject]
	return t, ok
}

func (b *bus) count() (frames, alerts int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.frames, len(b.heard)
}

// Stamp is now.
func (b *bus) Stamp() int64 { return b.origin + int64(time.Since(b.began)) }

// Wall is the date.
func (b *bus) Wall(stamp int64) (time.Time, bool) { return time.Unix(0, stamp), true }

// Bus is how the bus is.
func (b *bus) Bus() publish.Bus { return publish.Bus{State: "up", FramesPerS: float64(b.perS)} }

// Trouble is nothing.
func (b *bus) Trouble() string { return "" }
