package mqtt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"chaffinch/internal/problem"
	"chaffinch/publish"
)

// retryListen is how often Run tries to get its address.
const retryListen = 5 * time.Second

// lastWords is how long clients get to hear "offline": the library drops what
// it has queued for them when it closes, and does not tell when that is out.
const lastWords = 100 * time.Millisecond

// BrokerOptions say how the broker inside serves.
type BrokerOptions struct {
	// Listen is address:port. On a loopback address anyone may read; on any
	// other a credential is needed.
	Listen      string
	Credentials []Credential
	Topics      publish.Topics
	// Retained gives what must be retained when the broker starts. May be nil.
	Retained func() []publish.Message
	// Submit takes what clients write to do/. Nil: such writes are denied.
	Submit publish.Submit
	Log    *slog.Logger // may be nil
}

// Broker is an MQTT broker inside the program. Nothing that a client sends
// can end the process or hold up Publish; it keeps nothing on disk.
//
// There is no last will for the program itself here: if it ends, clients lose
// their connection, and must read that, like no live message for
// publish.LiveValid, as offline.
type Broker struct {
	opts   BrokerOptions
	log    *slog.Logger
	limits limits
	retry  time.Duration

	mu       sync.Mutex
	server   *mochi.Server // nil before Start and after Close
	listener *listener
	gate     *gate
	closed   bool
	failure  error // why it does not listen
	shut     sync.Once

	panics atomic.Int64 // in Publish
}

// BrokerHealth is how the broker is.
type BrokerHealth struct {
	Address string // where it listens; empty if it does not
	Err     error  // why it does not listen
	Clients int
	Refused int64 // connections turned away: too many, too often
	Dropped int64 // messages that a client was too slow for
	Panics  int64 // malformed packets that the broker library did not survive by itself
}

// NewBroker prepares a broker. It does not listen yet.
func NewBroker(opts BrokerOptions) *Broker {
	log := opts.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Broker{opts: opts, limits: usualLimits, retry: retryListen, log: slog.New(newQuiet(log.Handler()))}
}

// Run starts the broker, again and again if its address cannot be had, and
// closes it when ctx ends.
func (b *Broker) Run(ctx context.Context) error {
	defer b.Close()
	said := ""
	for {
		err := b.Start()
		if err == nil {
			<-ctx.Done()
			return nil
		}
		if err.Error() != said {
			said = err.Error()
			b.log.Warn("broker does not listen", "error", err)
		}
		select {
		case <-time.After(b.retry):
		case <-ctx.Done():
			return nil
		}
	}
}

// Start listens and publishes what must be retained. A second Start, or one
// after Close, is an error.
func (b *Broker) Start() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed || b.server != nil {
		return errors.New("mqtt: broker: started before")
	}
	b.failure = b.start()
	return b.failure
}

func (b *Broker) start() error {
	anonymous := NoRole
	if onlyHere(b.opts.Listen) {
		anonymous = Look
	} else if len(b.opts.Credentials) == 0 {
		return &problem.Problem{Key: "mqtt.listen", What: fmt.Sprintf("%q can be reached from other devices, and no device has a credential", b.opts.Listen),
			Try: "name one: chaffinch device add NAME, or listen on 127.0.0.1:1883"}
	}
	ln, err := net.Listen("tcp", b.opts.Listen)
	if err != nil {
		return fmt.Errorf("mqtt: broker: %w", err)
	}
	server := mochi.New(&mochi.Options{
		Capabilities: capabilities(), InlineClient: true, Logger: b.log,
		// Each tick stops the world for its memory figures; no client may see them.
		SysTopicResendInterval: 60,
	})
	hook := &gate{
		rules:       newAccess(b.opts.Topics, b.opts.Submit != nil),
		submit:      b.opts.Submit,
		credentials: b.opts.Credentials, anonymous: anonymous, log: b.log, guests: map[net.Conn]*guest{},
		refuse: func(cl *mochi.Client, why packets.Code) { _ = server.SendConnack(cl, why, false, nil) },
	}
	l := newListener(ln, b.limits, b.log, func(c net.Conn) { forget(server, hook, c) })
	hook.joined = func(cl *mochi.Client) { l.joined(cl.Net.Conn) }
	if err := errors.Join(server.AddHook(hook, nil), server.AddListener(l), server.Serve()); err != nil {
		ln.Close()
		return fmt.Errorf("mqtt: broker: %w", err)
	}
	b.server, b.listener, b.gate = server, l, hook
	if b.opts.Retained != nil {
		for _, m := range b.opts.Retained() {
			if err := b.publish(m.Topic, m.Payload, m.QoS, m.Retain); err != nil {
				b.log.Warn("message not published", "topic", m.Topic, "error", err)
			}
		}
	}
	return nil
}

// capabilities bound what a client can make the broker keep.
func capabilities() *mochi.Capabilities {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumClientWritesPending = 256 // 8,192 by default: 65 KiB per connection before login
	c.MaximumPacketSize = 64 << 10
	c.MaximumInflight = 256
	c.ReceiveMaximum = 64
	c.MaximumQos = 1
	// By the wall clock, which jumps: retained alerts would vanish.
	c.MaximumMessageExpiryInterval = 0
	// No session outlives its connection.
	c.MaximumSessionExpiryInterval = 0
	c.TopicAliasMaximum = 0
	c.SharedSubAvailable = 0
	return c
}

// forget removes what a client leaves behind when its handler panicked or
// stopped half way.
func forget(server *mochi.Server, hook *gate, conn net.Conn) {
	hook.forget(conn)
	for id, cl := range server.Clients.GetAll() {
		if cl.Net.Conn != conn {
			continue
		}
		cl.Stop(nil)
		cl.ClearInflights()
		server.UnsubscribeClient(cl)
		server.Clients.Delete(id)
	}
}

// onlyHere tells whether an address can be reached from this computer only.
func onlyHere(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// Publish sends a message to all who subscribed. It never waits for one of
// them. Before Start and after Close it does nothing: Start publishes what
// must be retained.
func (b *Broker) Publish(topic string, payload []byte, qos byte, retain bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.server == nil {
		return nil
	}
	return b.publish(topic, payload, qos, retain)
}

func (b *Broker) publish(topic string, payload []byte, qos byte, retain bool) (err error) {
	defer func() {
		if p := recover(); p != nil {
			b.panics.Add(1)
			err = fmt.Errorf("mqtt: publish %s: broker library panicked: %v", topic, p)
		}
	}()
	if retain {
		b.gate.index.Lock()
		defer b.gate.index.Unlock()
	}
	if err := b.server.Publish(topic, payload, retain, qos); err != nil {
		return fmt.Errorf("mqtt: publish %s: %w", topic, err)
	}
	return nil
}

// Close says offline, disconnects all clients and stops. It may be called
// more than once.
func (b *Broker) Close() {
	b.shut.Do(func() {
		b.mu.Lock()
		server := b.server
		if server != nil {
			_ = b.publish(b.opts.Topics.Availability(), []byte(publish.Offline), 1, true)
		}
		b.server, b.closed = nil, true
		b.mu.Unlock()
		if server != nil {
			time.Sleep(lastWords)
			_ = server.Close()
		}
	})
}

// Health is how the broker is.
func (b *Broker) Health() BrokerHealth {
	b.mu.Lock()
	defer b.mu.Unlock()
	h := BrokerHealth{Err: b.failure, Panics: b.panics.Load()}
	if b.listener != nil {
		h.Refused = b.listener.refused.Load()
		h.Panics += b.listener.panics.Load()
	}
	if b.server != nil {
		h.Address = b.listener.Address()
		h.Clients = int(atomic.LoadInt64(&b.server.Info.ClientsConnected))
		h.Dropped = atomic.LoadInt64(&b.server.Info.MessagesDropped) + atomic.LoadInt64(&b.server.Info.InflightDropped)
	}
	return h
}
