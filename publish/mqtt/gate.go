package mqtt

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"chaffinch/publish"
)

// maxFilters is how many filters a client may hold: they fill memory, and nothing
// here has more topics than that.
const maxFilters = 64

// gate is the one access hook of the broker: it asks the rules in access.go.
// (Several hooks would be or-ed, and those that come with the library allow
// what they do not mention.)
type gate struct {
	mochi.HookBase
	rules       access
	credentials []Credential
	// anonymous is the role of a client that gives no name.
	anonymous Role
	log       *slog.Logger
	// submit takes what clients write.
	submit publish.Submit
	// refuse answers a CONNECT with a reason.
	refuse func(cl *mochi.Client, why packets.Code)
	// joined is told of each client that is let in.
	joined func(cl *mochi.Client)

	mu     sync.Mutex
	guests map[net.Conn]*guest

	// index is held while a client subscribes and while a message is retained:
	// the library reads the names of retained topics without a lock.
	index sync.Mutex
}

// guest is a connection that gave a name and a password that fit.
type guest struct {
	role Role
	// name is whose credential it is, empty without one; id is the client's.
	name, id string
	// subscribing is set while its handler holds index, and used by that only.
	subscribing bool
}

// ID is for the library's log.
func (g *gate) ID() string { return "gate" }

// Provides says which calls the gate wants.
func (g *gate) Provides(b byte) bool {
	return bytes.IndexByte([]byte{
		mochi.OnConnect, mochi.OnConnectAuthenticate, mochi.OnSessionEstablished, mochi.OnACLCheck, mochi.OnPublish,
		mochi.OnSubscribe, mochi.OnPacketProcessed,
	}, b) >= 0
}

// OnConnect refuses what no client here needs.
func (g *gate) OnConnect(cl *mochi.Client, pk packets.Packet) error {
	switch {
	case !pk.Connect.Clean:
		// A kept session would fill memory while its phone is away, and its
		// subscriptions are left behind when it expires.
		g.log.Warn("client refused: it wants a session that is kept; only clean sessions are served", "remote", cl.Net.Remote)
		g.refuse(cl, packets.ErrServerUnavailable)
		return packets.ErrServerUnavailable
	case pk.Connect.ClientIdentifier == mochi.InlineClientId:
		// It would take over the session in whose name the program publishes.
		g.log.Warn("client refused: its id is taken", "remote", cl.Net.Remote)
		g.refuse(cl, packets.ErrClientIdentifierNotValid)
		return packets.ErrClientIdentifierNotValid
	case pk.Connect.WillFlag:
		// The library publishes wills without asking for access.
		g.log.Warn("client refused: a last will is a write, and it may not write", "remote", cl.Net.Remote)
		g.refuse(cl, packets.ErrBadUsernameOrPassword)
		return packets.ErrNotAuthorized
	}
	return nil
}

// OnConnectAuthenticate finds the client's role. A client with the id of another
// would end that one's connection (MQTT 3.1.1, 3.1.4-2): only the same device may,
// or one that may do more, so that nobody keeps it out by taking its id.
func (g *gate) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	r, name := g.anonymous, ""
	if pk.Connect.UsernameFlag || pk.Connect.PasswordFlag {
		name = string(pk.Connect.Username)
		r = role(g.credentials, name, string(pk.Connect.Password))
	}
	if r == NoRole {
		g.log.Warn("client refused: unknown name or wrong password", "remote", cl.Net.Remote)
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, other := range g.guests {
		if other.id == cl.ID && other.name != name && other.role >= r {
			g.log.Warn("client refused: another device uses its id", "remote", cl.Net.Remote)
			return false
		}
	}
	g.guests[cl.Net.Conn] = &guest{role: r, name: name, id: cl.ID}
	return true
}

// OnSessionEstablished is called when the client is in.
func (g *gate) OnSessionEstablished(cl *mochi.Client, _ packets.Packet) { g.joined(cl) }

// OnSubscribe is called before a subscription is looked at. Filters beyond
// maxFilters are made empty, which no filter may be (MQTT 3.1.1, 4.7.3-1): the
// library refuses them.
func (g *gate) OnSubscribe(cl *mochi.Client, pk packets.Packet) packets.Packet {
	held := cl.State.Subscriptions.Len()
	for i := range pk.Filters {
		if _, has := cl.State.Subscriptions.Get(pk.Filters[i].Filter); has {
			continue
		}
		if held++; held > maxFilters {
			g.log.Warn("client denied", "why", "it has too many filters", "remote", cl.Net.Remote)
			pk.Filters[i].Filter = ""
		}
	}
	if guest := g.guest(cl.Net.Conn); guest != nil {
		g.index.Lock()
		guest.subscribing = true
	}
	return pk
}

// OnPacketProcessed is called when that is done, with or without success, in
// the same goroutine.
func (g *gate) OnPacketProcessed(cl *mochi.Client, pk packets.Packet, _ error) {
	if pk.FixedHeader.Type == packets.Subscribe {
		g.subscribed(cl.Net.Conn)
	}
}

func (g *gate) subscribed(conn net.Conn) {
	if guest := g.guest(conn); guest != nil && guest.subscribing {
		guest.subscribing = false
		g.index.Unlock()
	}
}

func (g *gate) guest(conn net.Conn) *guest {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.guests[conn]
}

// forget is called when a connection has ended, in whatever way, in the
// goroutine that handled its packets.
func (g *gate) forget(conn net.Conn) {
	g.subscribed(conn)
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.guests, conn)
}

// OnACLCheck is asked for each filter, each topic written, and each message
// on its way to a client.
func (g *gate) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	r := NoRole
	if guest := g.guest(cl.Net.Conn); guest != nil {
		r = guest.role
	}
	ask := g.rules.mayRead
	if write {
		ask = g.rules.mayWrite
	}
	ok, why := ask(r, topic)
	if !ok {
		g.log.Warn("client denied", "why", why, "write", write, "role", r.String(), "remote", cl.Net.Remote)
	}
	return ok
}

// patience is how long a client waits for the program to take its input.
const patience = 5 * time.Second

// OnPublish hands an input over; other clients do not see it. A retained one is
// not taken: it would act again at each start. That and one that cannot be are
// logged, and acknowledged all the same (MQTT 3.1.1, 3.3.5-2): sent again they
// would be no better.
func (g *gate) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	switch {
	case cl.Net.Inline:
		return pk, nil
	case pk.FixedHeader.Retain:
		g.log.Warn("input not taken", "why", "it was retained", "remote", cl.Net.Remote)
		return pk, packets.CodeSuccessIgnore
	}
	name, _ := strings.CutPrefix(pk.TopicName, g.rules.do)
	in, err := publish.ParseInput(name, pk.Payload)
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		_, err = g.submit(ctx, in)
	}
	if err != nil {
		g.log.Warn("input not taken", "input", name, "why", err, "remote", cl.Net.Remote)
	}
	return pk, packets.CodeSuccessIgnore
}
