package mqtt

import (
	"context"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"chaffinch/internal/outside"
	"chaffinch/publish"
)

// taker is what takes inputs.
type taker struct {
	mu  sync.Mutex
	got []string
}

func (k *taker) submit(_ context.Context, in publish.Input) (publish.Reply, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if in.Answer != nil && in.Answer.Prompt == "p1-9" {
		return publish.Reply{}, publish.ErrGone
	}
	k.got = append(k.got, in.Name())
	return publish.Reply{}, nil
}

func (k *taker) all() []string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.got)
}

// Who may tell the program what, seen from a client that others wrote.
func TestInputsComeFromThoseWhoMay(t *testing.T) {
	pub := outside.Tool(t, "mosquitto_pub")
	var log record
	var k taker
	passwords := map[string]string{}
	var credentials []Credential
	for name, role := range map[string]Role{"looker": Look, "answerer": Answer, "owner": SetUp} {
		c, password, err := NewCredential(name, role)
		if err != nil {
			t.Fatal(err)
		}
		credentials, passwords[name] = append(credentials, c), password
	}
	b := startBroker(t, func(o *BrokerOptions, _ *limits) {
		o.Credentials, o.Submit, o.Log = credentials, k.submit, log.logger()
	})
	host, port, _ := strings.Cut(b.Health().Address, ":")
	reader := subscribe(t, b.Health().Address, "chaffinch/v1/#")
	const answer = `{"prompt":"p1-1","reply":"done"}`
	for _, c := range []struct {
		who, input, body string
		taken            bool
	}{
		{"", "answer", answer, false}, // nobody in particular
		{"looker", "answer", answer, false},
		{"answerer", "answer", answer, true},
		{"answerer", "acknowledge", `{"event":"e1-1"}`, true},
		{"answerer", "check", `{"tank":{"broken":"some"}}`, true},
		{"answerer", "setup", `{"crop":"maize"}`, false},
		{"owner", "setup", `{"crop":"maize"}`, true},
		{"owner", "answer", answer, true},
		{"owner", "else", answer, false},
		// What cannot be is logged, and no more.
		{"owner", "answer", `{"prompt":"p1-1","reply":"perhaps"}`, false},
		{"owner", "answer", `{"prompt":"p1-9","reply":"done"}`, false},
		{"owner", "answer", `{`, false},
		{"owner", "answer", "", false},
		{"owner", "check", strings.Repeat(" ", publish.MaxInput) + `{}`, false},
	} {
		before := len(k.all())
		args := []string{"-h", host, "-p", port, "-q", "1", "-t", "chaffinch/v1/w/do/" + c.input, "-m", c.body}
		if c.who != "" {
			args = append(args, "-u", c.who, "-P", passwords[c.who])
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		_ = exec.CommandContext(ctx, pub, args...).Run() // one that is denied is cut off
		cancel()
		if got := len(k.all()) - before; got != map[bool]int{true: 1}[c.taken] {
			t.Errorf("%q on %s by %q: taken %d times", c.body[:min(40, len(c.body))], c.input, c.who, got)
		}
	}
	for _, line := range reader.all() {
		if strings.Contains(line, "/do/") {
			t.Errorf("another client sees %q", line)
		}
	}
	if text := log.String(); !strings.Contains(text, "input not taken") || !strings.Contains(text, "perhaps") {
		t.Errorf("the log does not tell why:\n%s", text)
	}
	if b.Health().Err != nil || b.Health().Panics != 0 {
		t.Errorf("%+v", b.Health())
	}
}
