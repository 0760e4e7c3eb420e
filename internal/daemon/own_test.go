package daemon

import (
	"errors"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/internal/config"
	"chaffinch/publish"
)

// An alert about the program itself is acknowledged like any other.
func TestTheProgramsOwnAlertIsAcknowledged(t *testing.T) {
	t.Parallel()
	r := newRig(t, 1, func(c *config.Config) {
		c.Store.Path = filepath.Join(t.TempDir(), "is not there", "store.db")
		c.Alarm.NotRecording.For = detect.Duration(100 * time.Millisecond)
	})
	started := make(chan *Daemon, 1)
	r.startService(Service{}, noBus{}, func(d *Daemon) { started <- d })
	d := <-started
	var alerts []publish.Alert
	for end := time.Now().Add(20 * time.Second); len(alerts) == 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("there is no alert")
		}
		alerts = d.board.Alerts()
	}
	if len(alerts) != 1 || alerts[0].Kind != "not-recording" {
		t.Fatalf("%+v", alerts)
	}
	for range 2 { // twice does no harm
		in := publish.Input{Acknowledge: &publish.Acknowledge{Event: alerts[0].ID}}
		if _, err := d.Submit(t.Context(), in); err != nil {
			t.Fatal(err)
		}
	}
	in := publish.Input{Acknowledge: &publish.Acknowledge{Event: publish.EventID(d.clock.Boot, detect.OwnNumbers+99)}}
	if _, err := d.Submit(t.Context(), in); !errors.Is(err, publish.ErrGone) {
		t.Errorf("an alert that is not there: %v", err)
	}
}
