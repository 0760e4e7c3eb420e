package mqtt

import (
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestRepeatsAreCountedAndPacketsAreNotLogged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out record
		log := slog.New(newQuiet(out.logger().Handler())).With("listener", "cab")
		for range 1000 {
			log.Warn("quota reached", "client", "a", "pk", "canary")
		}
		log.Warn("another")
		time.Sleep(quietFor)
		log.Warn("quota reached", "packet", "canary")
		got := out.String()
		if n := strings.Count(got, "\n"); n != 3 || !strings.Contains(got, "suppressed=999") || strings.Contains(got, "canary") || strings.Count(got, "listener=cab") != 3 {
			t.Errorf("logged %d lines:\n%s", n, got)
		}
	})
}
