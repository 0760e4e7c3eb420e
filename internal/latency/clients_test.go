package latency

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// seen is when each alert came to one kind of client for the first time.
type seen struct {
	mu sync.Mutex
	at map[string]time.Time
}

func newSeen() *seen { return &seen{at: map[string]time.Time{}} }

func (s *seen) note(subject string, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, known := s.at[subject]; !known {
		s.at[subject] = at
	}
}

func (s *seen) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.at)
}

// subscribe takes events from the broker inside, over the loopback.
func subscribe(t *testing.T, address, id string, s *seen) {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false))
	if token := c.Connect(); token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
	t.Cleanup(func() { c.Disconnect(50) })
	token := c.Subscribe("chaffinch/v1/+/event", 1, func(_ paho.Client, m paho.Message) {
		at := time.Now()
		var told struct{ Phase, Subject string }
		if json.Unmarshal(m.Payload(), &told) == nil && told.Phase == "raised" && ours(told.Subject) {
			s.note(told.Subject, at)
		}
	})
	if token.Wait() && token.Error() != nil {
		t.Fatal(token.Error())
	}
}

// device is a paired phone without a screen.
type device struct {
	t       *testing.T
	address string
	cookie  *http.Cookie
}

func (d *device) ask(method, path, body string) (status int, text string) {
	d.t.Helper()
	q, err := http.NewRequest(method, "http://"+d.address+"/api/v1/"+path, strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/json")
	q.Header.Set("Origin", "http://"+d.address)
	if d.cookie != nil {
		q.AddCookie(d.cookie)
	}
	a, err := http.DefaultClient.Do(q)
	if err != nil {
		d.t.Fatal(err)
	}
	defer a.Body.Close()
	for _, c := range a.Cookies() {
		d.cookie = c
	}
	all, err := io.ReadAll(a.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return a.StatusCode, string(all)
}

// pair pairs a device with a code.
func pair(t *testing.T, address, code string) *device {
	t.Helper()
	d := &device{t: t, address: address}
	if status, text := d.ask("POST", "pair", fmt.Sprintf(`{"code":%q,"name":"a phone"}`, code)); status != http.StatusOK {
		t.Fatalf("not paired: %d %s", status, text)
	}
	return d
}

// code asks for a code for one more device.
func (d *device) code() string {
	d.t.Helper()
	status, text := d.ask("GET", "pairing?role=look", "")
	var shown struct{ Code string }
	if status != http.StatusOK || json.Unmarshal([]byte(text), &shown) != nil || shown.Code == "" {
		d.t.Fatalf("no code: %d %s", status, text)
	}
	return shown.Code
}

// stream reads the page's stream of events until the test ends.
func (d *device) stream(s *seen) {
	d.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	q, err := http.NewRequestWithContext(ctx, "GET", "http://"+d.address+"/api/v1/stream", nil)
	if err != nil {
		d.t.Fatal(err)
	}
	q.AddCookie(d.cookie)
	a, err := http.DefaultClient.Do(q)
	if err != nil {
		d.t.Fatal(err)
	}
	if a.StatusCode != http.StatusOK {
		d.t.Fatalf("no stream: %s", a.Status)
	}
	var reading sync.WaitGroup
	reading.Go(func() {
		lines := bufio.NewScanner(a.Body)
		lines.Buffer(nil, 1<<20)
		for name := ""; lines.Scan(); {
			if n, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				name = n
			}
			data, ok := strings.CutPrefix(lines.Text(), "data: ")
			if !ok || name != "alerts" {
				continue
			}
			at := time.Now()
			var alerts []struct{ Subject string }
			if json.Unmarshal([]byte(data), &alerts) != nil {
				continue
			}
			for _, alert := range alerts {
				if ours(alert.Subject) {
					s.note(alert.Subject, at)
				}
			}
		}
	})
	d.t.Cleanup(func() { stop(); a.Body.Close(); reading.Wait() })
}
