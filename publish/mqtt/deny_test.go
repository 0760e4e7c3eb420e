package mqtt

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"chaffinch/publish"
)

// roles are a client of each role, with the name of the role, and how each
// says so in a CONNECT of version 4 or 5.
func roles(t *testing.T) (all []Credential, hello func(version byte, who, id string) []byte) {
	t.Helper()
	passwords := map[string]string{}
	for r := Look; r < roleCount; r++ {
		c, password, err := NewCredential(r.String(), r)
		if err != nil {
			t.Fatal(err)
		}
		all, passwords[c.Name] = append(all, c), password
	}
	return all, func(version byte, who, id string) []byte {
		if who == "" {
			return connect(version, clean, id)
		}
		return connect(version, clean|0xC0, id, text(who), text(passwords[who]))
	}
}

// accepted is how the answer to a CONNECT that is let in begins.
func accepted(answer string) bool { return strings.HasPrefix(answer, "20:0000") }

// Each filter is asked for by MQTT 3.1.1 and 5. The codes are those of SUBACK:
// 80 failure (MQTT 3.1.1, 3.9.3), 87 not authorized, 8f filter invalid (MQTT 5, 3.9.3).
func TestFiltersThatAreDenied(t *testing.T) {
	credentials, hello := roles(t)
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials = credentials })
	for _, c := range []struct {
		filter      string
		v4, version byte
	}{
		{"chaffinch/v1/#", 1, 1},
		{"chaffinch/v1/+/live", 1, 1},
		{"chaffinch/v1/w/#", 1, 1},
		{"chaffinch/v1/w/alert/signal-silent/+", 1, 1},
		{"#", 0x80, 0x87},
		{"+/#", 0x80, 0x87},
		{"+/v1/w/live", 0x80, 0x87},
		{"chaffinch/+/w/live", 0x80, 0x87},
		{"/chaffinch/v1/w/live", 0x80, 0x87},
		{"$SYS/#", 0x80, 0x87},
		{"$SYS/broker/clients/connected", 0x80, 0x87},
		{"$share/g/chaffinch/v1/#", 0x80, 0x87},
		{"$SHARE/g/chaffinch/v1/w/live", 0x80, 0x87},
		{"$share/chaffinch/v1/#", 0x80, 0x87},
		{"chaffinch/v1/other/live", 0x80, 0x87},
		{"chaffinch/v1/other/#", 0x80, 0x87},
		{"chaffinch/v1/w/do/#", 0x80, 0x87},
		{"chaffinch/v1/+/do/+", 0x80, 0x87},
		{"chaffinch/v1/w/do/setup", 0x80, 0x87},
		{"chaffinch/v1/#/live", 0x80, 0x8f},
		{"", 0x80, 0x8f},
	} {
		for _, who := range []string{"look", "set-up"} {
			for _, version := range []byte{4, 5} {
				client := dialRaw(t, b.Health().Address)
				if got := client.ask(hello(version, who, "id-"+who)); !accepted(got) {
					t.Fatalf("%s: %s", who, got)
				}
				want, none := c.v4, []byte(nil)
				if version == 5 {
					want, none = c.version, []byte{0}
				}
				got := client.ask(packet(0x82, []byte{0, 1}, none, text(c.filter), []byte{1}))
				if !strings.HasPrefix(got, "90:0001") || !strings.HasSuffix(got, fmt.Sprintf("%02x", want)) {
					t.Errorf("%s, version %d, %q: %s, want code %02x", who, version, c.filter, got, want)
				}
				client.Close()
			}
		}
	}
}

// A client may hold so many filters and no more: it could fill the memory.
func TestFiltersOfAClientAreBounded(t *testing.T) {
	b := startBroker(t, nil)
	client := dialRaw(t, b.Health().Address)
	client.ask(connect(4, clean, "a"))
	granted := 0
	for i := range 3 * maxFilters {
		got := client.ask(packet(0x82, []byte{0, byte(i + 1)}, text(fmt.Sprintf("chaffinch/v1/w/alert/k%d", i)), []byte{1}))
		switch {
		case strings.HasSuffix(got, "01") && strings.HasPrefix(got, "90:"):
			granted++
		case !strings.HasSuffix(got, "80"):
			t.Fatalf("filter %d: %s", i, got)
		}
	}
	if granted != maxFilters {
		t.Errorf("%d filters were granted, want %d", granted, maxFilters)
	}
	many := []byte{0, 200}
	for i := range maxFilters + 1 {
		many = append(append(many, text(fmt.Sprintf("chaffinch/v1/w/alert/m%d", i))...), 1)
	}
	other := dialRaw(t, b.Health().Address)
	other.ask(connect(4, clean, "b"))
	if got := other.ask(packet(0x82, many)); got != "90:00c8"+strings.Repeat("01", maxFilters)+"80" {
		t.Errorf("too many at once: %s", got)
	}
	if got := other.ask(packet(0x82, []byte{0, 1}, text("chaffinch/v1/w/alert/m0"), []byte{0})); got != "90:000100" {
		t.Errorf("one that it has: %s", got)
	}
}

// What a client writes where it may not reaches nobody, is not retained, and
// tells the program nothing; whatever the version, quality of service and role.
func TestWritesThatAreDenied(t *testing.T) {
	credentials, hello := roles(t)
	var k taker
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials, o.Submit = credentials, k.submit })
	b.Publish(topics.Live(), []byte("own"), 0, true)
	watch := subscribe(t, b.Health().Address, "chaffinch/v1/#")
	eventually(t, "the watcher is there", func() bool { return watch.has("1 chaffinch/v1/w/live own") })
	const body = `{"prompt":"p1-1","reply":"done"}`
	for _, c := range []struct{ who, topic string }{
		{"", "chaffinch/v1/w/do/answer"},
		{"look", "chaffinch/v1/w/do/answer"},
		{"answer", "chaffinch/v1/w/do/setup"},
		{"set-up", "chaffinch/v1/other/do/answer"},
		{"set-up", "chaffinch/v1/w/do/answer/"},
		{"set-up", "chaffinch/v1/w/do//answer"},
		{"set-up", "chaffinch/v1/w/DO/answer"},
		{"set-up", "/chaffinch/v1/w/do/answer"},
		{"set-up", "chaffinch/v1/+/do/answer"},
		{"set-up", "chaffinch/v1/w/do/#"},
		{"set-up", "chaffinch/v1/w/live"},
		{"set-up", "chaffinch/v1/w/availability"},
		{"set-up", "chaffinch/v1/w/alert/engine-hot"},
		{"set-up", "chaffinch/v1/w/event"},
		{"set-up", "$SYS/broker/clients/connected"},
		{"set-up", "$share/g/chaffinch/v1/w/do/answer"},
		{"set-up", ""},
	} {
		for _, version := range []byte{4, 5} {
			for _, first := range []byte{0x30, 0x31, 0x32, 0x33, 0x34, 0x35} { // QoS 0, 1, 2, each without and with retain
				id, none := []byte{0, 1}, []byte(nil)
				if first&0x06 == 0 {
					id = nil
				}
				if version == 5 {
					none = []byte{0}
				}
				client := dialRaw(t, b.Health().Address)
				if got := client.ask(hello(version, c.who, "id-"+c.who)); !accepted(got) {
					t.Fatalf("%q: %s", c.who, got)
				}
				client.Write(packet(first, text(c.topic), id, none, []byte(body)))
				client.ask(packet(0xC0)) // until it has been looked at
				client.Close()
			}
		}
	}
	if got := k.all(); len(got) != 0 {
		t.Errorf("the program took %v", got)
	}
	b.Publish(topics.Live(), []byte("last"), 0, false)
	eventually(t, "the last is heard", func() bool { return watch.has("0 chaffinch/v1/w/live last") })
	if got := watch.all(); !slices.Equal(got, []string{"1 chaffinch/v1/w/live own", "0 chaffinch/v1/w/live last"}) {
		t.Errorf("others hear %q", got)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for topic := range b.server.Topics.Retained.GetAll() {
		if topic != topics.Live() && !strings.HasPrefix(topic, "$SYS/") {
			t.Errorf("%s is retained", topic)
		}
	}
}

// An empty retained message would take an alert off the screen of everyone who
// comes later (MQTT 3.1.1, 3.3.1.3).
func TestNobodyClearsWhatIsRetained(t *testing.T) {
	credentials, hello := roles(t)
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials = credentials })
	alert := topics.Alert("engine-hot", "")
	b.Publish(alert, []byte("hot"), 1, true)
	client := dialRaw(t, b.Health().Address)
	client.ask(hello(4, "set-up", "a"))
	client.Write(packet(0x31, text(alert)))
	client.ask(packet(0xC0))
	sub := subscribe(t, b.Health().Address, "chaffinch/v1/#")
	eventually(t, "the alert is there", func() bool { return sub.has("1 " + alert + " hot") })
}

// A retained input is not taken, and acknowledged: a server that does not
// authorize a message acknowledges it or ends the connection (MQTT 3.1.1,
// 3.3.5-2), or the client waits and sends it again for ever.
func TestARetainedInputIsNotTaken(t *testing.T) {
	credentials, hello := roles(t)
	var k taker
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials, o.Submit = credentials, k.submit })
	client := dialRaw(t, b.Health().Address)
	client.ask(hello(4, "set-up", "a"))
	write := func(first byte) string {
		return client.ask(packet(first, text(topics.Inputs()+publish.InputAnswer), []byte{0, 1}, []byte(`{"prompt":"p1-1","reply":"done"}`)))
	}
	if got := write(0x33); got != "40:0001" || len(k.all()) != 0 {
		t.Errorf("retained: %s, taken %v", got, k.all())
	}
	if got := write(0x32); got != "40:0001" || len(k.all()) != 1 {
		t.Errorf("not retained: %s, taken %v", got, k.all())
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := len(b.server.Topics.Messages(topics.Inputs() + "#")); n != 0 {
		t.Errorf("%d inputs are retained", n)
	}
}

// A topic alias of MQTT 5 (3.3.2.3.4) names a topic without spelling it. None is
// granted, so that none goes around the rules.
func TestTopicAliasesAreRefused(t *testing.T) {
	credentials, hello := roles(t)
	var k taker
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials, o.Submit = credentials, k.submit })
	for _, topic := range []string{"", topics.Inputs() + publish.InputAnswer, topics.Live()} {
		client := dialRaw(t, b.Health().Address)
		client.ask(hello(5, "set-up", "a"))
		alias := []byte{3, 0x23, 0, 1} // three bytes of properties: topic alias 1
		got := client.ask(packet(0x32, text(topic), []byte{0, 1}, alias, []byte(`{"prompt":"p1-1","reply":"done"}`)))
		if !strings.HasPrefix(got, "e0:94") { // DISCONNECT, topic alias invalid (MQTT 5, 3.14.2.1)
			t.Errorf("%q: %s", topic, got)
		}
	}
	if got := k.all(); len(got) != 0 {
		t.Errorf("the program took %v", got)
	}
}

// A last will is a write that comes later, when nobody is there to be refused.
func TestNobodyLeavesAWill(t *testing.T) {
	credentials, _ := roles(t)
	owner, password, err := NewCredential("owner", SetUp)
	if err != nil {
		t.Fatal(err)
	}
	var k taker
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials, o.Submit = append(credentials, owner), k.submit })
	b.Publish(topics.Live(), []byte("first"), 0, true)
	sub := subscribe(t, b.Health().Address, "chaffinch/v1/#")
	eventually(t, "the watcher is there", func() bool { return sub.has("1 chaffinch/v1/w/live first") })
	const body = `{"prompt":"p1-1","reply":"done"}`
	for _, topic := range []string{topics.Availability(), topics.Inputs() + publish.InputAnswer, "chaffinch/v1/other/do/setup", "$SYS/x"} {
		for _, flags := range []byte{0x04, 0x24, 0x0C} { // a will; retained; QoS 1
			for _, version := range []byte{4, 5} {
				will := [][]byte{text(topic), text(body), text("owner"), text(password)}
				if version == 5 {
					will = append([][]byte{{0}}, will...) // no properties of the will
				}
				client := dialRaw(t, b.Health().Address)
				if got := client.ask(connect(version, clean|0xC0|flags, "a", will...)); accepted(got) {
					t.Errorf("a will on %s was accepted", topic)
				}
				client.Close()
			}
		}
	}
	b.Publish(topics.Live(), []byte("last"), 0, false)
	eventually(t, "the last is heard", func() bool { return sub.has("0 chaffinch/v1/w/live last") })
	if len(sub.all()) != 2 || len(k.all()) != 0 {
		t.Errorf("others hear %q, the program took %v", sub.all(), k.all())
	}
}

// MQTT 3.1.1 (3.1.4-2) ends a client when another comes with its id. That is for a
// device whose connection broke, not for one to throw another out.
func TestAnIDBelongsToItsDevice(t *testing.T) {
	credentials, hello := roles(t)
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Credentials = credentials })
	owner := dialRaw(t, b.Health().Address)
	owner.ask(hello(4, "set-up", "tablet"))
	for _, c := range []struct {
		version byte
		who     string
		want    string
	}{{4, "", "20:0005"}, {4, "look", "20:0005"}, {5, "answer", "20:0086"}} { // not authorized
		if got := dialRaw(t, b.Health().Address).ask(hello(c.version, c.who, "tablet")); !strings.HasPrefix(got, c.want) {
			t.Errorf("%q: %s, want %s", c.who, got, c.want)
		}
	}
	if got := owner.ask(packet(0xC0)); got != "d0:" {
		t.Errorf("the owner was thrown out: %s", got)
	}
	again := dialRaw(t, b.Health().Address)
	if got := again.ask(hello(4, "set-up", "tablet")); !accepted(got) {
		t.Errorf("the same device again: %s", got)
	}
	again.Close()
	eventually(t, "the id is free", func() bool {
		return accepted(dialRaw(t, b.Health().Address).ask(hello(4, "look", "tablet")))
	})
	// One that may do less cannot keep it out either.
	if got := dialRaw(t, b.Health().Address).ask(hello(4, "set-up", "tablet")); !accepted(got) {
		t.Errorf("the owner, whose id a looker took: %s", got)
	}
}
