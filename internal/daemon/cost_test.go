package daemon

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/shift"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/publish"
	"chaffinch/store"
	"chaffinch/store/history"
)

// bytesWritten is what this process has handed to the kernel, by the kernel's own
// count (proc(5), /proc/pid/io, wchar).
func bytesWritten(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/io")
	if err != nil {
		if os.Getenv("CHAFFINCH_REQUIRE") == "1" {
			t.Fatal(err)
		}
		t.Skipf("NOT CHECKED: the kernel does not count bytes written: %v", err)
	}
	_, rest, _ := bytes.Cut(b, []byte("wchar: "))
	n, err := strconv.ParseInt(strings.Fields(string(rest))[0], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// A shift of a make-believe combine, as the daemon stores it, but for what the
// writer commits together when it comes together: each block of history with the
// shift's memory, each phase of an event, what the adviser tells with its memory,
// and the outbox cursor after each message. The promise is for 12 hours: a file
// under 8 MB, and under 60 MB written to the card. An hour is run, and its share of
// that held to; CHAFFINCH_HOURS=12 runs all:
//
//	CHAFFINCH_HOURS=12 go test ./internal/daemon -run BytesOfAShift -v
func TestBytesOfAShift(t *testing.T) {
	hours := 1.0
	if text := os.Getenv("CHAFFINCH_HOURS"); text != "" {
		var err error
		if hours, err = strconv.ParseFloat(text, 64); err != nil {
			t.Fatal(err)
		}
	}
	scenario := virtual.Random(5, hours)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	file := filepath.Join(t.TempDir(), "store.db")
	s, err := store.Open(file, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()

	var c *core.Core
	clock := publish.Clock{Boot: uint64(s.Boot()), Wall: func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true }}
	var seq uint64
	var commits, rows, sent, blockBytes, memoryBytes int
	commit := func(records ...store.Record) {
		t.Helper()
		if err := s.Append(records); err != nil {
			t.Fatal(err)
		}
		commits++
		for _, r := range records {
			if !r.Send {
				continue
			}
			m, err := s.OutboxNext(10)
			if err != nil {
				t.Fatal(err)
			}
			s.OutboxDone(m[len(m)-1].Key)
			if _, err := s.StoreSent(); err != nil {
				t.Fatal(err)
			}
			sent++
		}
	}
	memory := func(id string, what any) store.Record {
		text, err := json.Marshal(what)
		if err != nil {
			t.Fatal(err)
		}
		memoryBytes += len(text)
		return store.Record{Kind: store.Memory, ID: id, Phase: detect.Ended, At: c.Now(), Payload: text}
	}
	shiftNow := func() store.Record { return memory(shiftMemory, shiftKept{Memory: c.ShiftMemory()}) }
	block := history.NewBuilder()
	c, err = core.New(cfg, core.Outputs{
		Event: func(e *detect.Event) {
			seq++
			commit(core.EventRecord(seq, c.Now(), e, clock))
		},
		Note: func(n *advise.Note) {
			seq++
			commit(core.NoteRecord(seq, n, clock), memory(adviserMemory, memoryKept{Memory: c.Memory()}))
		},
		Shift: func(told core.ShiftTold) {
			if told.Phase == core.ShiftGoesOn {
				return
			}
			seq++
			r, err := core.ShiftRecord(seq, c.Now(), shift.PhaseBegan, told.Summary, func(shift.Moment) (time.Time, bool) { return time.Time{}, false }, clock)
			if err != nil {
				t.Fatal(err)
			}
			commit(r, shiftNow())
		},
		Row: func(r *history.Row) {
			rows++
			for !block.Add(r) || block.Rows() == core.BlockRows {
				full := block.Rows() == core.BlockRows
				at := block.First()
				record := history.Record(at, block.AppendBlock(nil))
				blockBytes += len(record.Payload)
				commit(record, shiftNow())
				if full {
					break
				}
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	before := bytesWritten(t)
	combine := virtual.New(scenario, 5)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	written, used := bytesWritten(t)-before, s.Used()
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%.1f h, %d rows: %.1f MB written to the card in %d commits and %d sent; store holds %.2f MB, file %.2f MB; blocks %.2f MB (%.1f B a row), memories %.1f MB in all",
		hours, rows, float64(written)/1e6, commits, sent, float64(used)/1e6, float64(info.Size())/1e6,
		float64(blockBytes)/1e6, float64(blockBytes)/float64(rows), float64(memoryBytes)/1e6)
	// A file grows in steps of 256 KiB, and its first pages are there without records.
	if limit := 8e6*hours/12 + 512<<10; float64(info.Size()) > limit {
		t.Errorf("the file has %d bytes, %.0f are promised", info.Size(), limit)
	}
	if limit := 60e6 * hours / 12; float64(written) > limit {
		t.Errorf("%d bytes written, %.0f are promised", written, limit)
	}
}
