package uplinktest

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"chaffinch/publish/mqtt"
)

// collector is the office's end: a session that the broker keeps while the
// office is away, at QoS 1. What it has taken is acknowledged.
type collector struct {
	t       *testing.T
	options *paho.ClientOptions
	again   chan struct{}

	mu   sync.Mutex
	at   string              // the address that it is connected to
	got  map[string][]string // ids by machine, as they came
	all  int
	lost int // connections
}

// collect subscribes to the events of all machines, and goes on until the test
// ends.
func collect(t *testing.T, s mqtt.Server) *collector {
	t.Helper()
	c := &collector{t: t, got: map[string][]string{}, again: make(chan struct{}, 1)}
	u, err := url.Parse(s.Broker)
	if err != nil {
		t.Fatal(err)
	}
	secure := secureFor(t, u, s.CAFile)
	c.options = paho.NewClientOptions().AddBroker(u.Scheme + "://" + u.Host).SetClientID("office").
		SetCleanSession(false).SetAutoReconnect(false).SetProtocolVersion(4).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return c.open(u.Host, secure) }).
		SetDefaultPublishHandler(c.take).
		SetConnectionLostHandler(func(paho.Client, error) {
			c.mu.Lock()
			c.lost++
			c.mu.Unlock()
			c.again <- struct{}{}
		})
	if s.Username != "" {
		password, err := os.ReadFile(s.PasswordFile)
		if err != nil {
			t.Fatal(err)
		}
		c.options.SetUsername(s.Username).SetPassword(strings.TrimSpace(string(password)))
	}
	ctx, stop := context.WithCancel(context.Background())
	client, err := c.connect()
	if err != nil {
		t.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() { c.keep(ctx, client) })
	t.Cleanup(func() { stop(); running.Wait() })
	return c
}

func secureFor(t *testing.T, u *url.URL, caFile string) *tls.Config {
	t.Helper()
	if u.Scheme != "mqtts" {
		return nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem)
	return &tls.Config{RootCAs: roots, ServerName: u.Hostname()}
}

func (c *collector) open(host string, secure *tls.Config) (net.Conn, error) {
	conn, err := (&net.Dialer{Timeout: 5 * time.Second}).Dial("tcp", host)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	c.at, _, _ = net.SplitHostPort(conn.RemoteAddr().String())
	c.mu.Unlock()
	if secure != nil {
		conn = tls.Client(conn, secure)
	}
	return conn, nil
}

func (c *collector) connect() (paho.Client, error) {
	client := paho.NewClient(c.options)
	t := client.Connect()
	if t.Wait(); t.Error() != nil {
		return nil, t.Error()
	}
	filters := map[string]byte{}
	for _, kind := range []string{"event", "prompt", "verdict", "check", "note", "shift"} {
		filters["chaffinch/v1/+/"+kind] = 1
	}
	t = client.SubscribeMultiple(filters, nil)
	if t.Wait(); t.Error() != nil {
		client.Disconnect(0)
		return nil, t.Error()
	}
	return client, nil
}

// keep connects again whenever the connection is lost.
func (c *collector) keep(ctx context.Context, client paho.Client) {
	for {
		select {
		case <-ctx.Done():
			client.Disconnect(100)
			return
		case <-c.again:
		}
		for {
			var err error
			if client, err = c.connect(); err == nil {
				break
			}
			select {
			case <-ctx.Done():
				return
			case <-time.After(200 * time.Millisecond):
			}
		}
	}
}

func (c *collector) take(_ paho.Client, m paho.Message) {
	var told struct{ ID string }
	if len(m.Payload()) == 0 {
		return // there is no open prompt
	}
	if err := json.Unmarshal(m.Payload(), &told); err != nil {
		c.t.Errorf("%s: %v: %s", m.Topic(), err, m.Payload())
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	name := strings.Split(m.Topic(), "/")[2]
	c.got[name] = append(c.got[name], told.ID)
	c.all++
}

func (c *collector) count() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.all
}

func (c *collector) address() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// tally is what became of a machine's messages: how many are here, how many
// came again, and how many came later than one that was told after them.
type tally struct{ here, again, late int }

func (c *collector) has(m *machine) tally {
	c.mu.Lock()
	defer c.mu.Unlock()
	return count(c.t, m, c.got[m.name])
}

// count knows a repetition by its id, and the order by boot and sequence, which
// the id is made of.
func count(t *testing.T, m *machine, got []string) (n tally) {
	place := map[string]int{}
	for i, id := range m.ids {
		place[id] = i
	}
	seen, newest := map[string]bool{}, -1
	for _, id := range got {
		at, known := place[id]
		switch {
		case !known:
			t.Errorf("%s: %s was never told", m.name, id)
		case seen[id]:
			n.again++
		default:
			if at < newest {
				n.late++
			}
			newest = max(newest, at)
			seen[id] = true
			n.here++
		}
	}
	return n
}

// waitFor waits for a condition.
func waitFor(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !ok(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within %v: %s", limit, what)
		}
	}
}

func (c *collector) losses() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.lost
}
