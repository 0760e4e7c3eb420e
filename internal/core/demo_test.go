package core

import (
	"os"
	"path/filepath"
	"testing"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
)

// pretend is a configuration that suits the scenario's combine.
func pretend(t testing.TB, s virtual.Scenario) *config.Config {
	t.Helper()
	path := filepath.Join(t.TempDir(), "chaffinch.toml")
	if err := os.WriteFile(path, []byte(virtual.ConfigText(s)), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	return cfg
}

// harvest runs a make-believe harvest through a core.
func harvest(t testing.TB, s virtual.Scenario, seed uint64, out Outputs) virtual.Truth {
	t.Helper()
	c, err := New(pretend(t, s), out)
	if err != nil {
		t.Fatal(err)
	}
	combine := virtual.New(s, seed)
	frames := make([]canbus.Frame, 512)
	for done := false; !done; {
		var n int
		n, done = combine.Next(frames)
		for i := range frames[:n] {
			c.Frame(&frames[i])
		}
	}
	c.Finish()
	return combine.Truth()
}

func TestDemoShow(t *testing.T) {
	s := virtual.Demo()
	s.Start = "2026-07-01T10:00:00Z"
	truth := harvest(t, s, 1, Outputs{
		Event: func(e *detect.Event) {
			t.Logf("%7.1f %-8s %-7s %-16s %-12s began %.1f %s", e.Raised.Seconds(), e.Phase, e.Priority, e.Kind, e.Subject, e.Began.Seconds(), e.Text)
			if e.Phase == detect.Ended {
				t.Logf("        ended %.1f", e.Ended.Seconds())
			}
		},
		State: func(st *machine.State) {
			if st.Now%10e9 == 0 && st.Now < 300e9 {
				l, _ := st.Signals.Fresh(2, st.Now)
				r, _ := st.Signals.Fresh(6, st.Now)
				t.Logf("   %v %s load %.0f rotor %.0f feed %.1f±%.1f %s", st.Now.Seconds(), st.Activity, l, r, st.Feed.Rate, st.Feed.SD, st.Feed.Basis)
			}
		},
	})
	for _, i := range truth.Intervals {
		t.Logf("truth %+v", i)
	}
}
