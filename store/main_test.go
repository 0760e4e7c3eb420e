package store

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"

	bolt "go.etcd.io/bbolt"
)

// The test binary is also the child processes: the verb check-store as the
// program has it, and a writer to be killed.
func TestMain(m *testing.M) {
	switch args := os.Args[1:]; {
	case len(args) == 2 && args[0] == "check-store":
		os.Exit(CheckCommand(os.Stdout, args[1]))
	case len(args) == 4 && args[0] == "check-store":
		os.Exit(SalvageCommand(os.Stdout, args[2], args[3]))
	case len(args) == 3 && args[0] == "write-until-killed":
		os.Exit(writeUntilKilled(args[1], args[2]))
	}
	// Children of a test under the race detector would sleep a second at their end.
	os.Setenv("GORACE", "atexit_sleep_ms=0 "+os.Getenv("GORACE"))
	os.Exit(m.Run())
}

func selfExe(t testing.TB) string {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return exe
}

// rounds is how often random tests are tried: quick, a tenth of it with -short, or
// as CHAFFINCH_ROUNDS says. By night it says 2000.
func rounds(t *testing.T, quick int) int {
	if s := os.Getenv("CHAFFINCH_ROUNDS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatalf("CHAFFINCH_ROUNDS: %v", err)
		}
		return n
	}
	if testing.Short() {
		return max(4, quick/10)
	}
	return quick
}

// unavailable skips what this machine cannot do, or fails where it must.
func unavailable(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CHAFFINCH_REQUIRE") == "1" {
		t.Fatal(why)
	}
	t.Skip("NOT CHECKED: " + why)
}

// newPath is the path of a store to be, in memory if this computer has files there:
// hundreds of rounds wait for no disk. That a process is killed costs such a file
// nothing, as it costs the kernel's cache nothing; what a power cut costs is not
// tested here. When the test ends bbolt's own check looks at the file that is left,
// and ours does, and no goroutine may be left.
func newPath(t *testing.T) string {
	path := filepath.Join(newFolder(t), "store.db")
	before := runtime.NumGoroutine()
	t.Cleanup(func() {
		if _, err := os.Stat(path); err == nil {
			checkWithBolt(t, path)
			if err := CheckFile(path); err != nil {
				t.Errorf("left behind: %v", err)
			}
		}
		for end := time.Now().Add(5 * time.Second); runtime.NumGoroutine() > before; time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				stacks := make([]byte, 1<<16)
				t.Errorf("goroutines left:\n%s", stacks[:runtime.Stack(stacks, true)])
				return
			}
		}
	})
	return path
}

func newFolder(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "chaffinch-store-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func checkWithBolt(t *testing.T, path string) {
	t.Helper()
	db, err := bolt.Open(path, 0, &bolt.Options{ReadOnly: true, PreLoadFreelist: true, Timeout: 3 * time.Second})
	if err != nil {
		t.Errorf("left behind: %v", err)
		return
	}
	defer db.Close()
	err = db.View(func(tx *bolt.Tx) error {
		for err := range tx.Check() {
			t.Errorf("left behind: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Errorf("left behind: %v", err)
	}
}

func open(t *testing.T, path string, o Options) *Store {
	t.Helper()
	s, err := Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func closeStore(t *testing.T, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func appendAll(t *testing.T, s *Store, records ...Record) []Record {
	t.Helper()
	if err := s.Append(records); err != nil {
		t.Fatal(err)
	}
	return records
}

func readAll(t *testing.T, s *Store, k Kind) []Record {
	t.Helper()
	var all []Record
	for r, err := range s.All(k, Key{}) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	return all
}

func event(id string, phase detect.Phase, p detect.Priority) Record {
	return Record{Kind: Event, ID: id, Phase: phase, Priority: p, Send: true, Payload: fmt.Appendf(nil, `{"id":%q}`, id)}
}

// ended is a whole event: raised and ended.
func ended(id string, p detect.Priority) []Record {
	return []Record{event(id, detect.Raised, p), event(id, detect.Ended, p)}
}

func history(n int, size int) []Record {
	all := make([]Record, n)
	for i := range all {
		all[i] = Record{Kind: History, Phase: detect.Ended, At: signal.Instant(i) * 1e9, Payload: []byte(strings.Repeat("h", size))}
	}
	return all
}

func outboxKeys(t *testing.T, s *Store) (keys []Key, gaps []Gap) {
	t.Helper()
	err := s.view(func(tx *bolt.Tx) error {
		return tx.Bucket([]byte("outbox")).ForEach(func(key, value []byte) error {
			e, err := decodeEntry(key, value)
			if err != nil {
				return err
			}
			if e.gap != nil {
				gaps = append(gaps, *e.gap)
			} else {
				keys = append(keys, e.key)
			}
			return nil
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	return keys, gaps
}
