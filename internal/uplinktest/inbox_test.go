package uplinktest

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"chaffinch/internal/outside"
)

// inbox is the office with the page's own command, and the file that it writes.
type inbox struct {
	t            *testing.T
	folder, port string
}

// open runs the command until the test ends.
func (b *inbox) open() {
	b.t.Helper()
	outside.Tool(b.t, "mosquitto_sub")
	text := replaced(b.t, block(b.t, "sh office"), "-h office.example", "-h localhost", "-p 8883", "-p "+b.port,
		"OFFICE-PASSWORD", "'"+passwordOf("office")+"'")
	cmd := exec.Command("sh", "-c", text)
	cmd.Dir = b.folder
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // so that it ends with what it has started
	if err := cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { _ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL); _ = cmd.Wait() })
}

// received is what stands in the office's file, by machine.
func (b *inbox) received() map[string][]string {
	text, err := os.ReadFile(filepath.Join(b.folder, "messages.txt"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		b.t.Fatal(err)
	}
	got := map[string][]string{}
	for line := range strings.Lines(string(text)) {
		topic, payload, _ := strings.Cut(line, " ")
		_, rest, _ := strings.Cut(payload, `"id":"`)
		if id, _, ok := strings.Cut(rest, `"`); ok {
			name := strings.Split(topic, "/")[2]
			got[name] = append(got[name], id)
		}
	}
	return got
}

func (b *inbox) tally(fleet []*machine) (sum tally) {
	got := b.received()
	for _, m := range fleet {
		n := count(b.t, m, got[m.name])
		sum.here, sum.again, sum.late = sum.here+n.here, sum.again+n.again, sum.late+n.late
	}
	return sum
}

func (b *inbox) hasNewest(fleet []*machine) bool {
	got := b.received()
	for _, m := range fleet {
		if !slices.Contains(got[m.name], m.ids[len(m.ids)-1]) {
			return false
		}
	}
	return true
}

// holes is how many messages are missing by the sequences of those received.
func (b *inbox) holes() (n int) {
	for _, ids := range b.received() {
		newest, seen := 0, map[string]bool{}
		for _, id := range ids {
			_, seq, _ := strings.Cut(id, "-")
			number, err := strconv.Atoi(seq)
			if err != nil {
				b.t.Fatal(err)
			}
			newest = max(newest, number)
			seen[id] = true
		}
		n += newest - len(seen)
	}
	return n
}
