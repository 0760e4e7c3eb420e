package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/internal/outside"
	"chaffinch/store"
)

// rounds is how often a process is killed: CHAFFINCH_KILLS, or a few.
func rounds(t *testing.T) int {
	if text := os.Getenv("CHAFFINCH_KILLS"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	return 4
}

// Promise: an event or advice that anyone was shown is not lost, whenever the
// program is killed. (A kill leaves the kernel's cache whole: it does not stand
// for the power.) The subscriber is a program of others, mosquitto_sub.
func TestWhatASubscriberSawSurvivesAKill(t *testing.T) {
	subscribe := outside.Tool(t, "mosquitto_sub")
	seed := rand.Uint64()
	random := rand.New(rand.NewPCG(seed, 0))
	t.Logf("seed %d", seed)
	path := filepath.Join(t.TempDir(), "store.db")
	seen := map[string]bool{}
	n := rounds(t)
	for round := range n {
		address := outside.FreePort(t)
		host, port, _ := net.SplitHostPort(address)
		var said bytes.Buffer
		daemon := exec.Command(program, "demo", "--speed", "100", "--listen", address, "--page", "", "--store", path)
		daemon.Stdout, daemon.Stderr = &said, &said
		daemon.Env = append(os.Environ(), "TMPDIR="+t.TempDir())
		if err := daemon.Start(); err != nil {
			t.Fatal(err)
		}
		waitForBroker(t, address, &said)
		ctx, cancel := context.WithCancel(context.Background())
		var heard bytes.Buffer
		subscriber := exec.CommandContext(ctx, subscribe, "-h", host, "-p", port, "-q", "1", "-F", "%p",
			"-t", "chaffinch/v1/+/event", "-t", "chaffinch/v1/+/prompt", "-t", "chaffinch/v1/+/verdict", "-t", "chaffinch/v1/+/check", "-t", "chaffinch/v1/+/note", "-t", "chaffinch/v1/+/shift")
		subscriber.Stdout = &heard
		if err := subscriber.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(200*time.Millisecond + time.Duration(random.IntN(2500))*time.Millisecond)
		daemon.Process.Signal(syscall.SIGKILL)
		daemon.Wait()
		time.Sleep(50 * time.Millisecond) // what is in the subscriber's socket
		cancel()
		subscriber.Wait()
		for _, id := range messageIDs(t, heard.Bytes()) {
			if seen[id] {
				t.Errorf("round %d: message %s came before, in another run", round, id)
			}
			seen[id] = true
		}
	}
	if len(seen) == 0 {
		t.Fatal("no event was seen: the test proves nothing")
	}
	if err := store.CheckFile(path); err != nil {
		t.Errorf("the store is not whole: %v", err)
	}
	for _, id := range storedMessages(t, path) {
		delete(seen, id)
	}
	for id := range seen {
		t.Errorf("message %s was seen and is not stored", id)
	}
}

// waitForBroker waits until the broker answers.
func waitForBroker(t *testing.T, address string, said *bytes.Buffer) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close()
			return
		}
	}
	t.Fatalf("no broker at %s; the daemon said:\n%s", address, said.String())
}

// messageIDs are the ids of the whole lines.
func messageIDs(t *testing.T, lines []byte) []string {
	t.Helper()
	var ids []string
	for line := range strings.Lines(string(lines)) {
		if !strings.HasSuffix(line, "\n") {
			break // cut by the end of the subscriber
		}
		if line == "\n" {
			continue // a prompt that is not open any more
		}
		var m struct{ ID string }
		if err := json.Unmarshal([]byte(line), &m); err != nil || m.ID == "" {
			t.Fatalf("no message: %s", line)
		}
		ids = append(ids, m.ID)
	}
	return ids
}

func storedMessages(t *testing.T, path string) []string {
	t.Helper()
	s, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var ids []string
	for _, k := range []store.Kind{store.Event, store.Prompt, store.Judged, store.Check, store.Note, store.Shift} {
		n := len(ids)
		last := signal.Never
		boot := uint32(0)
		for r, err := range s.All(k, store.Key{}) {
			if err != nil {
				t.Fatal(err)
			}
			if r.Key.Boot != boot {
				boot, last = r.Key.Boot, signal.Never
			}
			if r.At < last {
				t.Errorf("record %v is out of order", r.Key)
			}
			var m struct{ ID string }
			if err := json.Unmarshal(r.Payload, &m); err != nil {
				t.Fatalf("record %v: %v", r.Key, err)
			}
			ids = append(ids, m.ID)
		}
		t.Logf("%d messages of kind %s stored, the last in run %d", len(ids)-n, k, boot)
	}
	return ids
}
