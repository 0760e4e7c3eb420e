package daemon

import (
	"context"
	"log/slog"
	"sync/atomic"
	"time"
)

// A sign of life says that the program works, not that it has a timer. It is
// sent every third of the watchdog's time, and only while three loops move: the
// bus reader (or its looking for a bus), the core, and the store's writer. All
// of them turn several times in that time when there is nothing to do at all.
//
// What that means with the 20 s of the unit: a loop that stands still for up to
// 18 s harms nothing, such as a writer that waits for a slow card in one fsync;
// after 28 s the manager has ended the program for sure, and starts it again.
// Opening a store may take longer: see openingMost.

const (
	// idleTurn is the longest turn of a loop that has nothing to do: the writer
	// looks up every 2 s, and so does a reader without a bus. No shorter time
	// may be asked of them.
	idleTurn = 4 * time.Second
	// looksPerSign is how often the loops are looked at for each sign of life.
	// The more, the sooner one that moves again is heard of.
	looksPerSign = 6
	// openingMost is how long an opening of the store counts as movement. The
	// check and the salvage in it are children with limits of their own (12 s
	// each, store.Options.CheckTime), and each may be needed twice.
	openingMost = time.Minute
)

// pulse counts the turns of a loop.
type pulse struct{ turns atomic.Uint64 }

func (p *pulse) beat()         { p.turns.Add(1) }
func (p *pulse) count() uint64 { return p.turns.Load() }

// loop is one whose standing still is a hang.
type loop struct {
	name  string
	turns func() uint64
	seen  uint64
	moved time.Time // when turns was last seen to change
	still bool      // it was logged that it stands still
}

// watchdog sends the signs of life. Its fields are set before run.
type watchdog struct {
	every  time.Duration // between two signs; 0: nobody wants any
	window time.Duration // in which each loop must have moved
	loops  []*loop
	alive  func() // sends one
	log    *slog.Logger

	standing atomic.Pointer[string] // the loop that stands still, or nil
}

// newWatchdog makes the watchdog for the manager's patience. Without a manager
// it only looks.
func newWatchdog(patience time.Duration, alive func(), log *slog.Logger) *watchdog {
	w := &watchdog{every: patience / 3, alive: alive, log: log}
	if w.every == 0 {
		w.every, w.alive = 5*time.Second, func() {}
	}
	w.window = max(w.every, idleTurn)
	return w
}

// watch has one more loop looked at.
func (w *watchdog) watch(name string, turns func() uint64) {
	w.loops = append(w.loops, &loop{name: name, turns: turns})
}

// run looks after the loops until ctx ends.
func (w *watchdog) run(ctx context.Context) {
	tick := time.NewTicker(w.every / looksPerSign)
	defer tick.Stop()
	now := time.Now()
	for _, l := range w.loops {
		l.seen, l.moved = l.turns(), now
	}
	var said time.Time
	for {
		if w.look(now) && now.Sub(said) >= w.every-w.every/(2*looksPerSign) {
			w.alive()
			said = now
		}
		select {
		case now = <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// look tells whether all loops have moved within the window.
func (w *watchdog) look(now time.Time) bool {
	var standing *string
	for _, l := range w.loops {
		if n := l.turns(); n != l.seen {
			l.seen, l.moved = n, now
		}
		still := now.Sub(l.moved) > w.window
		if still != l.still {
			l.still = still
			if still {
				w.log.Error("a loop stands still", "loop", l.name, "for", now.Sub(l.moved).Round(time.Second))
			} else {
				w.log.Info("the loop moves again", "loop", l.name)
			}
		}
		if still && standing == nil {
			standing = &l.name
		}
	}
	w.standing.Store(standing)
	return standing == nil
}

// still is the name of a loop that stands still, or nothing.
func (w *watchdog) still() string {
	if name := w.standing.Load(); name != nil {
		return *name
	}
	return ""
}

// makeWatchdog prepares the signs of life and the loops that they stand for.
func (d *Daemon) makeWatchdog() {
	d.notify = notifier{socket: d.o.Service.Socket, log: d.log}
	d.watch = newWatchdog(d.o.Service.Watchdog, func() { d.notify.say("WATCHDOG=1") }, d.log)
	d.watch.watch("bus reader", d.reads.count)
	d.watch.watch("core", d.thinks.count)
	d.watch.watch("store writer", func() uint64 { return d.writer.Turns() + d.openingTurns() })
}

// openingTurns has an opening of the store count as movement, once a second,
// for as long as one may take.
func (d *Daemon) openingTurns() uint64 {
	since := d.opening.Load()
	if since == 0 {
		return 0
	}
	return uint64(min(time.Duration(Clock{}.Mono()-since), openingMost) / time.Second)
}

// servedMost is how long the program waits for its own addresses before it says
// that it is ready.
const servedMost = 5 * time.Second

// ready tells the manager that the program works, once its own page and broker
// listen, or have met what keeps them from it. It waits for nothing else: not
// for a bus, a network, a clock, another broker or a store.
func (d *Daemon) ready(ctx context.Context) {
	limit := time.After(servedMost)
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for !d.served() {
		select {
		case <-look.C:
			continue
		case <-limit:
		case <-ctx.Done():
			return
		}
		break
	}
	d.notify.say("READY=1")
}

func (d *Daemon) served() bool {
	if d.broker != nil {
		if h := d.broker.Health(); h.Address == "" && h.Err == nil {
			return false
		}
	}
	if d.page != nil {
		if h := d.page.Health(); h.Address == "" && h.Err == nil {
			return false
		}
	}
	return true
}
