package store

import (
	"bytes"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/detect"
)

// bytesWritten is what this process has handed to the kernel, by the kernel's
// own count (proc(5), /proc/pid/io, wchar).
func bytesWritten(t *testing.T) int64 {
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		unavailable(t, "the kernel does not count bytes written: "+err.Error())
	}
	_, rest, _ := bytes.Cut(b, []byte("wchar: "))
	n, err := strconv.ParseInt(strings.Fields(string(rest))[0], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// The bounds are twice what was measured for bbolt with such records: 24 KB
// for one event, 37 KB for 20 and 161 KB for 200.
func TestBytesWrittenPerCommit(t *testing.T) {
	payload := bytes.Repeat([]byte("p"), 300)
	for _, c := range []struct {
		batch   int
		boundKB int64
	}{{1, 48}, {20, 74}, {200, 322}} {
		s := open(t, newPath(t), Options{})
		commit := func(i int) {
			batch := make([]Record, c.batch)
			for j := range batch {
				batch[j] = Record{Kind: Event, ID: fmt.Sprintf("0123456789abcdef-1-%d-%d", i, j), Phase: detect.Ended, Send: true, Payload: payload}
			}
			appendAll(t, s, batch...)
		}
		for i := range 20 {
			commit(i)
		}
		const commits = 100
		before := bytesWritten(t)
		for i := range commits {
			commit(20 + i)
		}
		per := (bytesWritten(t) - before) / commits
		t.Logf("%d events of 300 bytes: %.1f KB in a commit", c.batch, float64(per)/1000)
		if per > c.boundKB*1000 {
			t.Errorf("%d events: %d bytes in a commit, bound %d KB", c.batch, per, c.boundKB)
		}
		closeStore(t, s)
	}
}

// Twelve hours of work: six alarms an hour, raised, changed and ended, each
// sent; a block of history of 6 KB, and a memory of 20 KB with it, every 2 minutes:
// twice what a make-believe shift needs (internal/daemon measures one). The bounds
// are those of the design: 8 MB, and 60 MB written.
func TestCostOfAShift(t *testing.T) {
	path := newPath(t)
	s := open(t, path, Options{})
	before := bytesWritten(t)
	payload := bytes.Repeat([]byte("p"), 500)
	const every = 2 * time.Minute
	g := newSteps(1, nil)
	for at := time.Duration(0); at < 12*time.Hour; at += every {
		appendAll(t, s, Record{Kind: History, Phase: detect.Ended, Payload: g.bytes(6000)},
			Record{Kind: Memory, ID: "shift", Phase: detect.Ended, Payload: g.bytes(20000)})
		if at%(10*time.Minute) != 0 {
			continue
		}
		for phase := detect.Raised; phase <= detect.Ended; phase++ {
			r := event(fmt.Sprint(at), phase, detect.Medium)
			r.Payload = payload
			appendAll(t, s, r)
			m, err := s.OutboxNext(1)
			if err != nil {
				t.Fatal(err)
			}
			s.OutboxDone(m[0].Key)
			if _, err := s.StoreSent(); err != nil {
				t.Fatal(err)
			}
		}
	}
	written, used := bytesWritten(t)-before, s.Used()
	t.Logf("%.1f MB written, store holds %.1f MB", float64(written)/1e6, float64(used)/1e6)
	if written > 60e6 {
		t.Errorf("%d bytes written", written)
	}
	if used > 8e6 {
		t.Errorf("%d bytes used", used)
	}
	closeStore(t, s)
}

func BenchmarkAppendOne(b *testing.B) {
	s, err := Open(b.TempDir()+"/store.db", Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for i := range b.N {
		if err := s.Append([]Record{event(fmt.Sprint(i), detect.Ended, detect.Low)}); err != nil {
			b.Fatal(err)
		}
	}
}
