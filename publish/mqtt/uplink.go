package mqtt

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"chaffinch/publish"
)

const (
	waitForClock = 5 * time.Second
	farewell     = 2 * time.Second
)

// Outbox holds the messages that a broker elsewhere must get, at least once
// and in order. It is used by one goroutine at a time, but for Wait.
type Outbox interface {
	// Next is the oldest message that is not done. It gives the same one until
	// that is done.
	Next() (seq uint64, topic string, payload []byte, ok bool)
	// Done says that the broker has the message that Next gave.
	Done(seq uint64)
	// Wait returns nil when Next may give something, at once if it does now,
	// and an error when ctx ends.
	Wait(ctx context.Context) error
}

// UplinkOptions say where the uplink goes and what it takes there.
type UplinkOptions struct {
	Server Server
	Board  *publish.Board
	Outbox Outbox // may be nil: then only what is true now is sent
	// LiveEvery is the least time between live messages; less than
	// publish.LiveEvery changes nothing.
	LiveEvery time.Duration
	// ClockSet tells whether certificates can be judged yet. TLS waits for it.
	// Nil: always.
	ClockSet func() bool
	Log      *slog.Logger   // may be nil
	Random   func() float64 // from 0 to below 1; nil: the usual
}

// Uplink keeps a broker elsewhere up to date: retained topics as the board
// has them, live values, and the messages of the outbox, oldest first, one in
// flight.
type Uplink struct {
	opts    UplinkOptions
	log     *slog.Logger
	connect func(context.Context) (session, error)
	// shortest is the shortest pause between attempts.
	shortest time.Duration

	// known are the topics on which the broker may retain something of ours;
	// swept says that it has told what it had before this run.
	known map[string]bool
	swept bool

	mu     sync.Mutex
	health UplinkHealth
}

// UplinkHealth is how the uplink is.
type UplinkHealth struct {
	Connected bool
	Since     time.Time // of Connected, or of its contrary
	Waiting   string    // what it waits for, other than the broker; usually empty
	Err       error     // the last failure while it is not connected
	Sent      uint64    // messages of the outbox that the broker has
}

// NewUplink prepares an uplink.
func NewUplink(opts UplinkOptions) *Uplink {
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Random == nil {
		opts.Random = rand.Float64
	}
	u := &Uplink{opts: opts, log: opts.Log, shortest: shortestPause, known: map[string]bool{}}
	u.connect = func(ctx context.Context) (session, error) {
		return dial(ctx, opts.Log, opts.Server, opts.Board.Topics())
	}
	return u
}

// Run connects, again and again with growing pauses, and sends until ctx
// ends. Then it says offline and returns nil.
func (u *Uplink) Run(ctx context.Context) error {
	pause := backoff{random: u.opts.Random, shortest: u.shortest}
	u.note(func(h *UplinkHealth) { h.Since = time.Now() })
	for ctx.Err() == nil {
		if u.opts.ClockSet != nil && strings.HasPrefix(u.opts.Server.Broker, "mqtts:") && !u.opts.ClockSet() {
			u.note(func(h *UplinkHealth) { h.Waiting = "the clock is not set" })
			sleep(ctx, waitForClock)
			continue
		}
		u.note(func(h *UplinkHealth) { h.Waiting = "" })
		s, err := u.connect(ctx)
		if err == nil {
			up := time.Now()
			u.away(false, nil)
			err = u.serve(ctx, s)
			s.close()
			if time.Since(up) >= steadyAfter {
				pause.reset()
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		u.away(true, err)
		sleep(ctx, pause.next())
	}
	return nil
}

// serve works on one connection until it fails or ctx ends.
func (u *Uplink) serve(ctx context.Context, s session) error {
	box := newWaiter(ctx, u.opts.Outbox)
	defer box.stop()
	m := mirror{known: u.known, sent: map[string][]byte{}}
	var live liveSent
	for {
		changed := u.opts.Board.Watch()
		if err := m.sync(ctx, s, u.opts.Board.Retained()); err != nil {
			return u.end(ctx, s, err)
		}
		if !u.swept {
			if err := u.sweep(ctx, s); err != nil {
				return u.end(ctx, s, err)
			}
			continue
		}
		if msg, ok := u.opts.Board.NewestLive(); ok && live.due(msg, u.opts.LiveEvery) {
			if err := s.publish(ctx, msg); err != nil {
				return u.end(ctx, s, err)
			}
		}
		if seq, topic, payload, ok := box.next(); ok {
			if err := s.publish(ctx, publish.Message{Topic: topic, Payload: payload, QoS: 1}); err != nil {
				return u.end(ctx, s, err)
			}
			u.opts.Outbox.Done(seq)
			u.note(func(h *UplinkHealth) { h.Sent++ })
			continue
		}
		select {
		case <-changed:
		case <-box.woke():
			box.waiting = false
		case <-s.lost():
			return errLost
		case <-ctx.Done():
			return u.end(ctx, s, ctx.Err())
		}
	}
}

// end says offline if the program stops while the connection stands: the
// broker sends no will then.
func (u *Uplink) end(ctx context.Context, s session, err error) error {
	if ctx.Err() == nil {
		return err
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), farewell)
	defer cancel()
	return s.publish(last, publish.Message{Topic: u.opts.Board.Topics().Availability(), Payload: []byte(publish.Offline), QoS: 1, Retain: true})
}

// sweep learns which alerts, and which prompt, the broker still retains from
// runs before this one, which may have ended without a word. A broker that lets
// us write only tells nothing, and that is no failure.
func (u *Uplink) sweep(ctx context.Context, s session) error {
	own := u.opts.Board.Topics()
	topics, err := s.sweep(ctx, own.Alerts(), own.Prompt())
	if errors.Is(err, errLost) || ctx.Err() != nil {
		return err
	}
	if err != nil {
		u.log.Debug("broker does not tell what it retains", "error", err)
	}
	for _, t := range topics {
		u.known[t] = true
	}
	u.swept = true
	return nil
}

// Health is how the uplink is.
func (u *Uplink) Health() UplinkHealth {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.health
}

func (u *Uplink) note(change func(*UplinkHealth)) {
	u.mu.Lock()
	defer u.mu.Unlock()
	change(&u.health)
}

// away notes and logs that the broker is away or back: the change, not each
// attempt.
func (u *Uplink) away(away bool, err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	h := &u.health
	first := h.Err == nil
	h.Err = err
	switch {
	case away && (h.Connected || first):
		u.log.Warn("broker away", "error", err)
	case !away:
		u.log.Info("broker connected")
	}
	if h.Connected == away {
		h.Connected, h.Since = !away, time.Now()
	}
}

// mirror keeps the retained topics of a broker as the board has them.
type mirror struct {
	known map[string]bool   // outlives the connection
	sent  map[string][]byte // acknowledged on this connection
}

func (m *mirror) sync(ctx context.Context, s session, want []publish.Message) error {
	wanted := map[string]bool{}
	for _, w := range want {
		wanted[w.Topic] = true
		if was, ok := m.sent[w.Topic]; ok && bytes.Equal(was, w.Payload) {
			continue
		}
		m.known[w.Topic] = true
		if err := s.publish(ctx, w); err != nil {
			return err
		}
		m.sent[w.Topic] = w.Payload
	}
	var over []string
	for topic := range m.known {
		if !wanted[topic] {
			over = append(over, topic)
		}
	}
	slices.Sort(over)
	for _, topic := range over {
		if err := s.publish(ctx, publish.Message{Topic: topic, QoS: 1, Retain: true}); err != nil {
			return err
		}
		delete(m.known, topic)
		delete(m.sent, topic)
	}
	return nil
}

// liveSent remembers the live message that went out last.
type liveSent struct {
	payload []byte
	at      time.Time
}

func (l *liveSent) due(m publish.Message, every time.Duration) bool {
	// Half a period early counts: live messages come in steps of one.
	if bytes.Equal(m.Payload, l.payload) || every > publish.LiveEvery && time.Since(l.at) < every-publish.LiveEvery/2 {
		return false
	}
	l.payload, l.at = m.Payload, time.Now()
	return true
}

// waiter waits for the outbox beside other things.
type waiter struct {
	box     Outbox
	ctx     context.Context
	cancel  context.CancelFunc
	waiting bool
	done    chan struct{}
}

func newWaiter(ctx context.Context, box Outbox) *waiter {
	w := &waiter{box: box, done: make(chan struct{}, 1)}
	w.ctx, w.cancel = context.WithCancel(ctx)
	return w
}

func (w *waiter) next() (seq uint64, topic string, payload []byte, ok bool) {
	if w.box == nil {
		return 0, "", nil, false
	}
	return w.box.Next()
}

// woke gives a channel that is sent to once when the outbox may have
// something. Who receives from it sets waiting to false.
func (w *waiter) woke() <-chan struct{} {
	if w.box != nil && !w.waiting {
		w.waiting = true
		go func() {
			_ = w.box.Wait(w.ctx)
			w.done <- struct{}{}
		}()
	}
	return w.done
}

func (w *waiter) stop() {
	w.cancel()
	if w.waiting {
		<-w.done
	}
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
