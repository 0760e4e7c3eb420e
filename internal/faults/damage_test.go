package faults

import (
	"os"
	"testing"
	"time"

	"chaffinch/internal/daemon"
)

// Promise: a damaged store does not stop the program. It is up at once, listens,
// records into a new file within half a minute, keeps the damaged one, and says so.
func TestADamagedStoreIsSetAside(t *testing.T) {
	if testing.Short() {
		t.Skip("it plays half an hour twice")
	}
	first := newRig(t, harvest(), 2000)
	first.start()
	first.ended()
	path := first.cfg.Store.Path
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := 2 * 4096; i < len(b); i += 3 * 4096 { // a page in three, not the two that say where all is
		clear(b[i:min(i+4096, len(b))])
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	r := newRig(t, harvest(), 60)
	r.cfg.Store.Path = path
	began := time.Now()
	r.start()
	r.reports("it is recording", func(s *daemon.Status) bool { return s.Store.Recording })
	took := time.Since(began)
	t.Logf("recording after %v", took.Round(time.Millisecond))
	if took > 30*time.Second {
		t.Errorf("it took %v to record", took)
	}
	r.reports("it tells of the damage", func(s *daemon.Status) bool {
		if s.Store.Damaged && s.Store.SetAside != "" {
			t.Logf("%d records kept", s.Store.Kept)
			if s.Store.Kept < 30 {
				t.Errorf("only %d records were kept", s.Store.Kept)
			}
			if _, err := os.Stat(s.Store.SetAside); err != nil {
				t.Errorf("the damaged file is not there: %v", err)
			}
			return true
		}
		return false
	})
	r.until("alarms come", func() bool { m, _ := r.all(); return len(m) > 0 })
	r.stop()
	r.ended()
}
