package daemon

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"sync/atomic"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/publish/mqtt"
	"chaffinch/publish/phone"
	"chaffinch/store"
	"chaffinch/store/history"

	"golang.org/x/sync/errgroup"
)

// Source is where frames come from: the bus, or the make-believe one.
type Source interface {
	// Read waits for frames and puts them into dst, in order. Quiet, if it is
	// not 0, says that every frame stamped up to it has been handed over. It
	// returns an error only when there will be no more frames; ctx ending is
	// one.
	Read(ctx context.Context, dst []canbus.Frame) (n int, quiet int64, err error)
	// Wall is the calendar time of a stamp, and whether it can be trusted.
	Wall(stamp int64) (time.Time, bool)
	// Stamp is now, on the clock of the stamps.
	Stamp() int64
	// Bus is how the bus is, in numbers; Trouble what is wrong with it, in
	// words, or nothing.
	Bus() publish.Bus
	Trouble() string
}

// Options say what a daemon needs. Config and Source must be given.
type Options struct {
	Config *config.Config
	Source Source
	// SelfExe is the program itself, which checks the store in a child process.
	SelfExe string
	Log     *slog.Logger
	// Told is called for each phase of each event as it is published, in order.
	// It must not wait. May be nil.
	Told func(*detect.Event)
	// Noted is the same for what the adviser tells. May be nil.
	Noted func(*advise.Note)
	// Version is the program's, for people.
	Version string
	// ShowCode is told of each code that a person at the computer should see to
	// pair a phone. It must not wait. May be nil: codes are logged in any case.
	ShowCode func(phone.Code)
	// Service is what the service manager wants.
	Service Service
	// StatusFile is where the program writes down how it is, for the verb
	// "status": a path on a file system in memory. Empty: nowhere.
	StatusFile string

	started   func(*Daemon) // a seam for tests: called before the work begins
	storeTick time.Duration // another: of the store's writer; 0 is its own
}

// Daemon is a run of the program.
type Daemon struct {
	o      Options
	log    *slog.Logger
	core   *core.Core
	own    *detect.Own
	clock  publish.Clock
	board  *publish.Board
	writer *store.Writer
	opened chan uint64 // the first opening's boot number; 0 where it cannot be trusted to be new
	outbox *outbox
	broker *mqtt.Broker  // nil when another one is configured
	uplink *mqtt.Uplink  // nil when there is none
	page   *phone.Server // nil when there is to be none
	finder *finder       // nil without a page
	tell   announcer
	topics publish.Topics
	long   longRecord

	notify  notifier
	watch   *watchdog
	reads   pulse // of the bus reader
	thinks  pulse // of the core
	seen    atomic.Pointer[seen]
	alerted atomic.Pointer[lastAlert]
	began   time.Time    // when Run did
	opening atomic.Int64 // since when the store is being opened, by the clock that never jumps; 0: it is not

	start   int64          // stamp at which Run began
	lived   signal.Instant // of the newest live message
	seq     uint64         // event messages of this run
	failure error          // of handing a record over; the core's goroutine

	// How event time and calendar time belonged together when last stored.
	dated      bool
	dateSource store.Source
	dateOffset time.Time
	dateBegun  bool           // whether a frame had been heard by then
	dateBreak  signal.Instant // the newest break of event time that is stored
	datePace   allowance

	inbox   chan request
	thought chan struct{} // closed when the core thinks no more
	saved   time.Time     // when the adviser's memory was last handed to the store
	basis   string        // what the configuration says of what can be set up

	stepped   time.Time // when the core last made a step
	sources   sourceLog
	poolsKept int                        // handed to the store in this run
	left      atomic.Pointer[leftBehind] // by earlier runs; set when the store is opened for the first time
	tookUp    bool                       // what earlier runs left in the store
}

// storeAtStart is how long the first opening of the store may hold up the
// start; a failure is known sooner. Without a store the daemon detects all the
// same, and the store is taken up when it comes.
const storeAtStart = 3 * time.Second

// fullQueue is how long an event waits for a place in the queue of a store
// that does not write.
const fullQueue = time.Second

const (
	batchFrames = 256
	batches     = 16
)

type batch struct {
	frames []canbus.Frame
	quiet  int64
}

// Run runs the daemon until ctx ends, or the source does.
func Run(ctx context.Context, o Options) error {
	d := &Daemon{o: o, log: o.Log, began: time.Now(), opened: make(chan uint64, 1), lived: signal.Never, start: o.Source.Stamp(),
		long:  longRecord{block: history.NewBuilder()},
		inbox: make(chan request, mostRequests), thought: make(chan struct{}), basis: basisOf(o.Config)}
	if d.log == nil {
		d.log = slog.New(slog.DiscardHandler)
	}
	topics := publish.NewTopics(o.Config.Machine.Name)
	d.topics = topics
	d.makeWriter()
	d.makeWatchdog()

	// The writer outlives everything that hands records to it.
	writing, stopWriting := context.WithCancel(context.WithoutCancel(ctx))
	defer stopWriting()
	written := make(chan error, 1)
	go func() { written <- d.writer.Run(writing) }()

	d.clock = publish.Clock{Boot: d.boot(ctx), Wall: d.wall}
	d.board = publish.NewBoard(topics, d.clock)
	d.tell = announcer{board: d.board, send: d.send, told: d.noteAlert, noted: o.Noted}
	d.outbox = newOutbox(d.writer, topics)
	var err error
	if d.core, err = core.New(o.Config, core.Outputs{
		Event: d.event, Note: d.note, Input: d.took, State: d.state, Pool: d.pool,
		Shift: d.shift, Row: d.row,
	}); err != nil {
		return err
	}
	d.core.Boot = d.clock.Boot
	d.own = detect.NewOwn(o.Config.Alarm)
	d.makePublishers(topics)
	if err := d.makePhone(); err != nil {
		return err
	}
	d.takeUpStore()
	d.board.SetSetup(d.core.SetupNow())

	if o.started != nil {
		o.started(d)
	}

	err = d.work(ctx)
	stopWriting()
	err = errors.Join(err, <-written)
	return errors.Join(err, d.failure)
}

// work runs until ctx ends: first the bus stops, then, when its last events
// are stored and published, the broker and the uplink say offline.
func (d *Daemon) work(ctx context.Context) error {
	publishing, stopPublishing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPublishing()
	var publishers errgroup.Group
	if d.broker != nil {
		publishers.Go(func() error { return d.broker.Run(publishing) })
	}
	if d.uplink != nil {
		publishers.Go(func() error { return d.uplink.Run(publishing) })
	}
	if d.page != nil {
		publishers.Go(func() error { return d.servePage(publishing) })
		publishers.Go(func() error { return d.finder.run(publishing) })
	}

	g, gctx := errgroup.WithContext(ctx)
	full := make(chan *batch, batches)
	free := make(chan *batch, batches)
	for range batches {
		free <- &batch{frames: make([]canbus.Frame, batchFrames)}
	}
	g.Go(func() error { return d.read(gctx, full, free) })
	g.Go(func() error { return d.think(full, free) })
	g.Go(func() error { d.watch.run(gctx); return nil })
	g.Go(func() error {
		d.ready(gctx) // before that there is nothing to tell
		d.report(gctx)
		return nil
	})
	err := g.Wait()
	d.notify.say("STOPPING=1")
	if errors.Is(err, io.EOF) || ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		err = nil // the make-believe day is over, or we were asked to stop
	}

	flush, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if flushErr := d.writer.Flush(flush); flushErr != nil {
		err = errors.Join(err, fmt.Errorf("daemon: the last events are not stored: %w", flushErr))
	}
	d.tell.overdue(time.Now(), true) // what a failing store holds back
	stopPublishing()
	return errors.Join(err, publishers.Wait())
}

// read hands over batches of frames until the source ends.
func (d *Daemon) read(ctx context.Context, full chan<- *batch, free <-chan *batch) error {
	defer close(full)
	for {
		var b *batch
		select {
		case b = <-free:
		case <-ctx.Done():
			return ctx.Err()
		}
		n, quiet, err := 0, int64(0), error(nil)
		for n == 0 && quiet == 0 && err == nil {
			n, quiet, err = d.o.Source.Read(ctx, b.frames[:batchFrames])
			d.reads.beat()
		}
		b.frames, b.quiet = b.frames[:n], quiet
		d.finder.feed(b.frames)
		full <- b
		if err != nil {
			return err
		}
	}
}

// think is the one goroutine that decides.
func (d *Daemon) think(full <-chan *batch, free chan<- *batch) error {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	defer close(d.thought)
	for {
		d.thinks.beat()
		select {
		case b, more := <-full:
			if !more {
				d.core.TakeWaiting()
				d.core.Finish()
				d.saveMemory()
				d.stopLong()
				d.recordAll(d.own.Finish(max(d.lived, 0)), max(d.lived, 0))
				return nil
			}
			for i := range b.frames {
				if !d.core.Started() {
					since := time.Duration(b.frames[i].Stamp - d.start).Round(time.Second)
					d.core.Origin(signal.Instant(max(since, 0)))
				}
				d.core.Frame(&b.frames[i])
			}
			if b.quiet != 0 {
				d.core.Quiet(b.quiet)
			}
			free <- b
		case r := <-d.inbox:
			if !d.acknowledgeOwn(r) {
				d.core.Tell(d.o.Source.Stamp(), r.input, r.answer)
			}
		case now := <-tick.C:
			d.tell.overdue(now, d.writer.Health().Err != nil)
			d.takeUpStore()
			d.keepDates(now)
			d.findAway()
			d.noteSources()
			if now.Sub(d.stepped) > asleep {
				d.core.TakeWaiting()
			}
			if now.Sub(d.saved) > saveEvery {
				d.saveMemory()
			}
			if now.Sub(d.stepped) > 2*publish.LiveEvery {
				d.waitForBus()
			}
		}
	}
}

// waitForBus keeps the live topic going while the core does not step: before
// the first frame, and on a bus that has been silent for long. Nothing is known
// then.
func (d *Daemon) waitForBus() {
	s := machine.State{Now: signal.Instant(d.o.Source.Stamp() - d.start)}
	if d.core.Started() {
		s.Now = signal.Instant(d.o.Source.Stamp() - d.core.Offset())
	}
	d.publishLive(&s)
}

// event stores a phase of an event; it is published when that is done.
func (d *Daemon) event(e *detect.Event) { d.record(e, d.core.Now()) }

func (d *Daemon) recordAll(events []detect.Event, at signal.Instant) {
	for i := range events {
		d.record(&events[i], at)
	}
}

func (d *Daemon) record(e *detect.Event, at signal.Instant) {
	d.seq++
	r := core.EventRecord(d.seq, at, e, d.clock)
	if d.core.Started() {
		// In a silence of hours event time runs ahead of what the next frame makes of
		// it: a record would get the date of another instant.
		r.At = min(r.At, d.core.Now())
	}
	d.tell.expect(e, r.Payload, time.Now())
	patience, cancel := context.WithTimeout(context.Background(), fullQueue)
	defer cancel()
	err := d.writer.Put(patience, r)
	if err != nil {
		// Thousands wait for a store that does not write: the operator is
		// warned all the same, and the record has a gap.
		d.tell.giveUp()
		d.failure = fmt.Errorf("daemon: event not stored: %w", err)
		d.log.Error("event not stored", "event", e.Kind, "error", err)
	}
}

// state takes each step of the core.
func (d *Daemon) state(s *machine.State) {
	d.stepped = time.Now()
	d.publishLive(s)
}

// publishLive publishes the live values, once a second.
func (d *Daemon) publishLive(s *machine.State) {
	if since := s.Now.Sub(d.lived); since >= 0 && since < publish.LiveEvery {
		return
	}
	d.lived = s.Now
	_, date := d.date(s.Now)
	d.seen.Store(&seen{s.Activity, s.Now.Sub(s.Since), date})
	health := d.health()
	d.recordAll(d.own.Step(s.Now, s.Activity, func(kind string) (string, bool) {
		for i := range health {
			if health[i].Name == kind {
				return health[i].Text, true
			}
		}
		return "", false
	}), s.Now)
	if m, due := d.board.Live(publish.Moment{State: s, Bus: d.o.Source.Bus(), Health: health, Route: d.core.RouteName}); due {
		d.send(m)
	}
}

// send publishes on the broker inside. The uplink follows the board itself.
func (d *Daemon) send(m publish.Message) {
	if d.broker == nil {
		return
	}
	if err := d.broker.Publish(m.Topic, m.Payload, m.QoS, m.Retain); err != nil {
		d.log.Warn("message not published", "topic", m.Topic, "error", err)
	}
}

// boot is the number of this run. It comes from the store, which counts. When
// there is no store, a number from chance keeps the events' names apart.
func (d *Daemon) boot(ctx context.Context) uint64 {
	limit := time.After(storeAtStart)
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for waiting := true; waiting; {
		select {
		case n := <-d.opened:
			if n != 0 {
				return n
			}
			waiting = false
		case <-look.C:
			waiting = d.writer.Health().Err == nil
		case <-limit:
			waiting = false
		case <-ctx.Done():
			waiting = false
		}
	}
	if err := d.writer.Health().Err; err != nil {
		d.log.Error("the store is not open; going on without", "error", err)
	}
	var b [8]byte
	if _, err := rand.Read(b[:]); err != nil {
		return math.MaxUint32
	}
	// Above all numbers of the store, and exact in JSON.
	return 1<<32 + binary.LittleEndian.Uint64(b[:])>>16
}
