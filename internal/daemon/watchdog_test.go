package daemon

import (
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/detect"
	"chaffinch/publish"
	"chaffinch/store"
)

// dogRig is a watchdog with made-up loops and a made-up clock.
type dogRig struct {
	*watchdog
	loops map[string]*pulse
	now   time.Time
	log   logText
}

func newDogRig() *dogRig {
	r := &dogRig{loops: map[string]*pulse{}, now: time.Unix(1000, 0)}
	r.watchdog = newWatchdog(20*time.Second, func() {}, slog.New(slog.NewTextHandler(&r.log, nil)))
	for _, name := range []string{"bus reader", "core", "store writer"} {
		p := &pulse{}
		r.loops[name] = p
		r.watch(name, p.count)
	}
	for _, l := range r.watchdog.loops {
		l.moved = r.now
	}
	return r
}

// goOn lets time pass while all loops but some turn every second, and tells how
// long it was before the watchdog found one that stands still.
func (r *dogRig) goOn(d time.Duration, but string) (found time.Duration) {
	found = -1
	for t := time.Second; t <= d; t += time.Second {
		r.now = r.now.Add(time.Second)
		for name, p := range r.loops {
			if name != but {
				p.beat()
			}
		}
		if !r.look(r.now) && found < 0 {
			found = t
		}
	}
	return found
}

func TestOneLoopThatStandsStillIsEnough(t *testing.T) {
	for _, name := range []string{"bus reader", "core", "store writer"} {
		r := newDogRig()
		if r.goOn(time.Minute, "") >= 0 {
			t.Fatal("loops that move were taken for still")
		}
		found := r.goOn(30*time.Second, name)
		if found < r.window || found > r.window+2*time.Second {
			t.Errorf("%s: found still after %v, window %v", name, found, r.window)
		}
		if r.still() != name {
			t.Errorf("it says that %q stands still, not %q", r.still(), name)
		}
		if r.goOn(5*time.Second, "") >= 0 || r.still() != "" {
			t.Errorf("%s moves again, and is not believed", name)
		}
		if said := strings.Count(r.log.String(), "\n"); said != 2 {
			t.Errorf("%d lines for one stop:\n%s", said, r.log.String())
		}
	}
}

// A manager that is impatient gets its signs as often as it wants, but a loop
// with nothing to do turns every two seconds only.
func TestAnImpatientManager(t *testing.T) {
	w := newWatchdog(3*time.Second, func() {}, slog.New(slog.DiscardHandler))
	if w.every != time.Second || w.window != idleTurn {
		t.Errorf("a sign every %v, movement within %v", w.every, w.window)
	}
}

// brokenSource stands for a reader that hangs: Read does not come back while
// stuck is set.
type brokenSource struct {
	noBus
	stuck atomic.Bool
}

func (s *brokenSource) Read(ctx context.Context, dst []canbus.Frame) (int, int64, error) {
	for s.stuck.Load() && ctx.Err() == nil {
		time.Sleep(time.Millisecond)
	}
	return s.noBus.Read(ctx, dst)
}

// Each of the three loops is really stopped in turn, and the signs of life to a
// real socket stop and come again. There is no frame on the bus throughout.
func TestSignsOfLifeStopWithEachLoop(t *testing.T) {
	const window = 600 * time.Millisecond
	for _, c := range []struct {
		name, logged string
		stop         func(d *Daemon, source *brokenSource) (goOn func())
	}{
		{"bus reader", `"bus reader"`, func(_ *Daemon, source *brokenSource) func() {
			source.stuck.Store(true)
			return func() { source.stuck.Store(false) }
		}},
		{"core", "core", func(d *Daemon, _ *brokenSource) func() {
			answer := make(chan outcome) // without room, so that the core waits
			d.inbox <- request{publish.Input{}, answer}
			return func() { <-answer }
		}},
		{"store writer", `"store writer"`, func(d *Daemon, _ *brokenSource) func() {
			// The writer's goroutine waits in what follows a commit, as it
			// would for the disk.
			d.outbox.mu.Lock()
			if err := d.writer.Put(context.Background(), store.Record{Kind: store.Pool, ID: "x", Phase: detect.Ended, Payload: []byte("{}")}); err != nil {
				t.Error(err)
			}
			return d.outbox.mu.Unlock
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, 1, nil)
			m := newManager(t, socketPath(t))
			source := &brokenSource{}
			running := make(chan *Daemon, 1)
			stop := r.startService(Service{m.address, 900 * time.Millisecond}, source, func(d *Daemon) {
				d.watch.window = window
				running <- d
			})
			d := <-running
			m.hears(10*time.Second, "READY=1")
			m.hearsAfter(time.Now(), 5*time.Second, "WATCHDOG=1") // while it has nothing to do
			m.hearsAfter(time.Now(), 5*time.Second, "WATCHDOG=1")
			goOn := c.stop(d, source)
			stopped := time.Now()
			time.Sleep(1800 * time.Millisecond)
			if late := m.after(stopped.Add(window+500*time.Millisecond), "WATCHDOG=1"); len(late) > 0 {
				t.Errorf("%d signs of life while the %s stood still", len(late), c.name)
			}
			r.log.waitFor(t, `msg="a loop stands still" loop=`+c.logged)
			goOn()
			m.hearsAfter(time.Now(), 5*time.Second, "WATCHDOG=1")
			stop()
		})
	}
}

// The check of a large store on a slow card takes longer than a loop may stand
// still; it has limits of its own.
func TestAnOpeningCountsAsMovementForAWhile(t *testing.T) {
	d := &Daemon{}
	if d.openingTurns() != 0 {
		t.Error("no opening, and movement")
	}
	for _, c := range []struct {
		since time.Duration
		want  uint64
	}{{3500 * time.Millisecond, 3}, {59500 * time.Millisecond, 59}, {61 * time.Second, 60}, {10 * time.Minute, 60}} {
		d.opening.Store(Clock{}.Mono() - int64(c.since))
		if got := d.openingTurns(); got != c.want {
			t.Errorf("%v into an opening: %d turns, want %d", c.since, got, c.want)
		}
	}
}
