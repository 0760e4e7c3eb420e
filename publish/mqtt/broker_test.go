package mqtt

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"

	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/publish"
)

// The other end is mosquitto_sub, which others wrote.
func TestARealClientSeesAlertsAndLiveValues(t *testing.T) {
	for _, version := range []string{"mqttv311", "mqttv5"} {
		t.Run(version, func(t *testing.T) {
			board := newBoard()
			board.Apply(event(1, "rotor-slowing", detect.Raised), []byte("p1"))
			b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Retained = board.Retained })
			send := func(all []publish.Message) {
				for _, m := range all {
					if err := b.Publish(m.Topic, m.Payload, m.QoS, m.Retain); err != nil {
						t.Error(err)
					}
				}
			}
			sub := subscribe(t, b.Health().Address, "chaffinch/v1/#", "-V", version)
			eventually(t, "retained alert", func() bool { return sub.has("1 chaffinch/v1/w/alert/rotor-slowing p1") })
			if !sub.has("1 chaffinch/v1/w/availability online") {
				t.Errorf("no retained availability: %q", sub.all())
			}
			live, _ := board.Live(publish.Moment{State: &machine.State{}})
			send([]publish.Message{live})
			send(board.Apply(event(2, "bus-silent", detect.Raised), []byte("p2")))
			send(board.Apply(event(1, "rotor-slowing", detect.Ended), []byte("p3")))
			eventually(t, "cleared alert", func() bool { return sub.has("0 chaffinch/v1/w/alert/rotor-slowing ") })
			want := []string{"0 chaffinch/v1/w/live " + string(live.Payload), "0 chaffinch/v1/w/event p2", "0 chaffinch/v1/w/alert/bus-silent p2",
				"0 chaffinch/v1/w/event p3", "0 chaffinch/v1/w/alert/rotor-slowing "}
			if got := sub.all(); !slices.Equal(got[len(got)-len(want):], want) {
				t.Errorf("got %q, want %q at the end", got, want)
			}
			late := subscribe(t, b.Health().Address, "chaffinch/v1/#", "-V", version)
			eventually(t, "retained values for who comes late", func() bool { return len(late.all()) >= 3 })
			got := late.all()
			slices.Sort(got)
			if want := []string{"1 chaffinch/v1/w/alert/bus-silent p2", "1 chaffinch/v1/w/availability online", "1 " + want[0][2:]}; !slices.Equal(got, want) {
				t.Errorf("late: %q, want %q", got, want)
			}
			b.Close()
			eventually(t, "offline", func() bool { return sub.has("0 chaffinch/v1/w/availability offline") })
			b.Close()
		})
	}
}

func TestWhoMayConnectAndWhatThen(t *testing.T) {
	var log record
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Log = log.logger() })
	const ok = "20:0000"
	filter := func(f string) []byte { return packet(0x82, []byte{0, 1}, text(f), []byte{1}) }
	tests := []struct {
		name   string
		first  []byte
		answer string
		second []byte // may be nil
		then   string
	}{
		{"reads", connect(4, clean, "a"), ok, filter("chaffinch/v1/#"), "90:000101"},
		{"reads all", connect(4, clean, "a"), ok, filter("#"), "90:000180"},
		{"reads statistics", connect(4, clean, "a"), ok, filter("$SYS/#"), "90:000180"},
		{"shares", connect(4, clean, "a"), ok, filter("$share/g/chaffinch/v1/#"), "90:000180"},
		{"writes", connect(4, clean, "a"), ok, packet(0x32, text("chaffinch/v1/w/live"), []byte{0, 1}, []byte("x")), "e0:"},
		{"writes an input", connect(4, clean, "a"), ok, packet(0x32, text("chaffinch/v1/w/do/answer"), []byte{0, 1}, []byte("x")), "e0:"},
		{"keeps its session", connect(4, 0, "a"), "20:0003", nil, ""},
		{"keeps its session, version 5", connect(5, 0, "a"), "20:0088", nil, ""},
		{"has a will", connect(4, clean|0x04|0x20, "a", text("chaffinch/v1/w/availability"), text("offline")), "20:0005", nil, ""},
		{"is called as the program", connect(4, clean, mochi.InlineClientId), "20:0002", nil, ""},
		{"gives a name", connect(4, clean|0xC0, "a", text("someone"), text("canary-1")), "20:0005", nil, ""},
		{"connects twice", connect(4, clean, "a"), ok, connect(4, clean|0xC0, "a", text("someone"), text("canary-2")), "closed"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			c := dialRaw(t, b.Health().Address)
			// Version 5 adds properties, which do not matter here.
			if got := c.ask(test.first); !strings.HasPrefix(got, test.answer) {
				t.Fatalf("connect: answer %s, want %s", got, test.answer)
			}
			if test.second == nil {
				return
			}
			if got := c.ask(test.second); !strings.HasPrefix(got, test.then) {
				t.Errorf("then: answer %s, want %s", got, test.then)
			}
		})
	}
	if got := log.String(); strings.Contains(got, "canary") || strings.Contains(got, fmt.Sprint([]byte("canary"))[1:10]) {
		t.Errorf("a password stands in the log:\n%s", got)
	}
	sub := subscribe(t, b.Health().Address, "chaffinch/v1/#")
	eventually(t, "nothing of that did harm", func() bool {
		b.Publish(topics.Live(), []byte("x"), 0, false)
		return sub.has("0 chaffinch/v1/w/live x")
	})
	if slices.ContainsFunc(sub.all(), func(l string) bool { return strings.Contains(l, "offline") }) {
		t.Error("a client's will was published")
	}
}

func TestOtherDevicesNeedACredential(t *testing.T) {
	if err := NewBroker(BrokerOptions{Listen: "0.0.0.0:0", Topics: topics}).Start(); err == nil {
		t.Fatal("a broker that others can reach started without a credential")
	}
	c, password, err := NewCredential("tablet", Look)
	if err != nil {
		t.Fatal(err)
	}
	b := startBroker(t, func(o *BrokerOptions, _ *limits) { o.Listen, o.Credentials = "0.0.0.0:0", []Credential{c} })
	_, port, _ := net.SplitHostPort(b.Health().Address)
	address := "127.0.0.1:" + port
	if got := dialRaw(t, address).ask(connect(4, clean, "a")); got != "20:0005" {
		t.Errorf("without a name: %s, want refused", got)
	}
	if got := dialRaw(t, address).ask(connect(4, clean|0xC0, "a", text("tablet"), text(password+"x"))); got != "20:0005" {
		t.Errorf("wrong password: %s, want refused", got)
	}
	sub := subscribe(t, address, "chaffinch/v1/#", "-u", "tablet", "-P", password)
	eventually(t, "the device reads", func() bool {
		b.Publish(topics.Live(), []byte("x"), 0, true)
		return len(sub.all()) > 0
	})
}

func TestABrokerWithoutItsAddressTriesAgain(t *testing.T) {
	noLeaks(t)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var log record
	b := NewBroker(BrokerOptions{Listen: taken.Addr().String(), Topics: topics, Log: log.logger()})
	b.retry = 5 * time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	eventually(t, "it says why", func() bool { return b.Health().Err != nil })
	time.Sleep(10 * b.retry)
	taken.Close()
	eventually(t, "it listens", func() bool { h := b.Health(); return h.Err == nil && h.Address != "" })
	if n := strings.Count(log.String(), "does not listen"); n != 1 {
		t.Errorf("said %d times that it does not listen, want once", n)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := b.Start(); err == nil {
		t.Error("started after Close")
	}
}

// With the library's usual settings a message is gone when the wall clock
// jumps a day from when it was retained.
func TestRetainedMessagesOutliveAClockJump(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := mochi.New(&mochi.Options{Capabilities: capabilities(), InlineClient: true, Logger: (&record{}).logger()})
		if err := s.Publish(topics.Availability(), []byte("online"), true, 1); err != nil {
			t.Fatal(err)
		}
		m, _ := s.Topics.Retained.Get(topics.Availability())
		m.Created -= 56 * 365 * 86400
		s.Topics.Retained.Add(topics.Availability(), m)
		if err := s.Serve(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if n := len(s.Topics.Messages(topics.Availability())); n != 1 {
			t.Errorf("%d retained messages after a jump of 56 years, want 1", n)
		}
		s.Close()
	})
}

func TestAnAlarmIsWithAClientInMilliseconds(t *testing.T) {
	b := startBroker(t, nil)
	c := dialRaw(t, b.Health().Address)
	c.ask(connect(4, clean, "a"))
	c.ask(packet(0x82, []byte{0, 1}, text("chaffinch/v1/#"), []byte{0}))
	var took []time.Duration
	for range 300 {
		began := time.Now()
		if err := b.Publish(topics.Event(), bytes.Repeat([]byte("x"), 500), 1, false); err != nil {
			t.Fatal(err)
		}
		if _, _, err := c.read(); err != nil {
			t.Fatal(err)
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	t.Logf("publish to receipt: median %v, p99 %v", took[150], took[297])
	if took[297] > 50*time.Millisecond {
		t.Errorf("p99 %v, promised 50 ms", took[297])
	}
}
