package mqtt

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"net"
	"slices"
	"testing"
	"time"
)

// aSession is a packet of each kind that a client may send, well formed.
func aSession(version byte) map[string][]byte {
	var properties, user []byte
	if version == 5 {
		properties = []byte{0}
		user = slices.Concat([]byte{7, 0x26}, text("k"), text("v")) // one user property
	}
	return map[string][]byte{
		"publish":     packet(0x32, text("chaffinch/v1/w/do/answer"), []byte{0, 1}, properties, []byte("x")),
		"publish 2":   packet(0x34, text("chaffinch/v1/w/do/answer"), []byte{0, 1}, user, []byte("x")),
		"puback":      packet(0x40, []byte{0, 1}),
		"pubrec":      packet(0x50, []byte{0, 1}),
		"pubrel":      packet(0x62, []byte{0, 1}),
		"pubcomp":     packet(0x70, []byte{0, 1}),
		"subscribe":   packet(0x82, []byte{0, 1}, user, text("chaffinch/v1/#"), []byte{1}),
		"unsubscribe": packet(0xA2, []byte{0, 1}, user, text("chaffinch/v1/#")),
		"pingreq":     packet(0xC0),
		"disconnect":  packet(0xE0, user),
		"auth":        packet(0xF0, []byte{0}, user),
	}
}

// cuts are all ways to cut a packet short: with the length as announced, so
// that the rest never comes, and with a length that fits what is left, so
// that a reader may run over its end.
func cuts(p []byte) (all [][]byte) {
	_, n := binary.Uvarint(p[1:])
	body := p[1+n:]
	for i := range p {
		all = append(all, p[:i])
	}
	for i := range body {
		all = append(all, packet(p[0], body[:i]))
	}
	return all
}

// A packet that mochi v2.7.9 does not survive (mochi-mqtt/server#501): an
// MQTT 5 SUBSCRIBE that ends before the options of its filter.
var deadly = packet(0x82, []byte{0, 1, 0}, text("chaffinch/v1/#"))

func TestMalformedPacketsHarmNobodyElse(t *testing.T) {
	b := startBroker(t, nil)
	address := b.Health().Address
	sub := subscribe(t, address, "chaffinch/v1/#", "-i", "real")
	tick := func(n int) {
		t.Helper()
		line := fmt.Sprintf("0 chaffinch/v1/w/live %d", n)
		eventually(t, "the real client hears "+line, func() bool {
			b.Publish(topics.Live(), fmt.Append(nil, n), 0, false)
			return sub.has(line)
		})
	}
	tick(0)

	// throw sends bytes, then ends the connection, and waits until the broker
	// has done with it: it answers, or closes.
	throw := func(p ...[]byte) {
		t.Helper()
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		c.Write(bytes.Join(p, nil))
		c.(*net.TCPConn).CloseWrite()
		c.SetReadDeadline(time.Now().Add(2 * time.Second))
		buf := make([]byte, 512)
		for {
			if _, err := c.Read(buf); err != nil {
				break
			}
		}
		c.Close()
	}

	// If this is waited for in vain, the library has been mended and nothing
	// here proves any more that a panic is contained.
	throw(connect(5, clean, "x"), deadly)
	eventually(t, "a contained panic", func() bool { return b.Health().Panics == 1 })
	thrown := 0
	for _, version := range []byte{4, 5} {
		hello := connect(version, clean, "x")
		will := connect(version, clean|0xC4, "x", text("t"), text("w"), text("u"), text("p"))
		for _, first := range [][]byte{hello, will} {
			for _, cut := range cuts(first) {
				throw(cut)
				thrown++
			}
		}
		for _, whole := range aSession(version) {
			throw(hello, whole)
			for _, cut := range cuts(whole) {
				throw(hello, cut)
				thrown++
			}
		}
	}
	tick(1)
	for name, p := range map[string][]byte{
		"length without end": {0x10, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF},
		"256 MB announced":   {0x10, 0xFF, 0xFF, 0xFF, 0x7F},
		"1 MB":               append(connect(4, clean, "x"), packet(0x30, text("t"), make([]byte, 1<<20))...),
		"noise":              bytes.Repeat([]byte{0xA5, 0x5A, 0x00}, 5000),
		"a web request":      []byte("GET / HTTP/1.1\r\nHost: x\r\n\r\n"),
		"many pings":         append(connect(4, clean, "x"), bytes.Repeat(packet(0xC0), 20000)...),
	} {
		t.Log(name)
		throw(p)
	}
	tick(2)
	if h := b.Health(); h.Clients != 1 {
		t.Errorf("health %+v, want one client", h)
	}
	t.Logf("%d cut packets, %d panics of the library contained", thrown, b.Health().Panics)
	eventually(t, "nothing is left of them", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.listener.mu.Lock()
		defer b.listener.mu.Unlock()
		return len(b.listener.conns) == 1 && len(b.server.Clients.GetAll()) == 2 // with the program's own
	})
}

func TestIdleAndSlowConnectionsMakeRoom(t *testing.T) {
	b := startBroker(t, nil)
	address := b.Health().Address
	sub := subscribe(t, address, "chaffinch/v1/#", "-i", "real")
	eventually(t, "the real client is there", func() bool { return b.Health().Clients == 1 })
	for range 100 {
		dialRaw(t, address)
	}
	slow := dialRaw(t, address)
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		for _, c := range connect(4, clean, "slow") {
			slow.Write([]byte{c})
			select {
			case <-time.After(100 * time.Millisecond):
			case <-stop:
				return
			}
		}
	}()
	eventually(t, "most are turned away", func() bool { return b.Health().Refused >= 100-maxWaitingEach })
	eventually(t, "the real client is served", func() bool {
		b.Publish(topics.Live(), []byte("x"), 0, false)
		return sub.has("0 chaffinch/v1/w/live x")
	})
	eventually(t, "there is room again", func() bool { return dialRaw(t, address).ask(connect(4, clean, "b")) == "20:0000" })
	began := time.Now()
	for range 5 {
		dialRaw(t, address)
	}
	b.Close()
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("Close took %v with silent connections", took)
	}
}

func TestAnAddressMayNotComeTooOften(t *testing.T) {
	b := startBroker(t, func(_ *BrokerOptions, l *limits) { l.burst, l.perSecond = 5, 4 })
	began := time.Now()
	accepted := 0
	for range 12 {
		if dialRaw(t, b.Health().Address).ask(connect(4, clean, "x")) == "20:0000" {
			accepted++
		}
	}
	if took := time.Since(began); accepted < 5 || float64(accepted) > 6+4*took.Seconds() {
		t.Errorf("%d of 12 accepted in %v, want about 5", accepted, took)
	}
	eventually(t, "accepted later", func() bool { return dialRaw(t, b.Health().Address).ask(connect(4, clean, "x")) == "20:0000" })
}

// The library holds a client's lock while it writes, and takes it to number a
// message; so a client that stops reading would hold up everyone.
func TestAClientThatSleepsHoldsUpNobody(t *testing.T) {
	b := startBroker(t, nil)
	address := b.Health().Address
	subscribed := func(id string) *raw {
		c := dialRaw(t, address)
		c.ask(connect(4, clean, id))
		c.ask(packet(0x82, []byte{0, 1}, text("chaffinch/v1/#"), []byte{1}))
		return c
	}
	subscribed("asleep") // reads no more
	awake := subscribed("awake")
	big := make([]byte, 32<<10)
	var longest time.Duration
	for i := 0; b.Health().Clients == 2; i++ {
		if i == 2000 {
			t.Fatal("the sleeping client was not cut off after 64 MB")
		}
		began := time.Now()
		b.Publish(topics.Live(), big, 0, false)
		b.Publish(topics.Event(), []byte("x"), 1, false)
		for range 2 {
			first, body, err := awake.read()
			if err != nil {
				t.Fatalf("round %d: %v", i, err)
			}
			if first&0x06 == 0x02 {
				topic := int(binary.BigEndian.Uint16(body))
				awake.Write(packet(0x40, body[2+topic:4+topic]))
			}
		}
		longest = max(longest, time.Since(began))
	}
	t.Logf("longest round %v", longest)
	if longest > time.Second {
		t.Errorf("a sleeping client held up another for %v", longest)
	}
}
