package daemon

import (
	"errors"
	"io"
	"testing"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
)

// A lever that is moved while frames are read gets where it was sent.
func TestALeverOfThePretendCombine(t *testing.T) {
	origin := time.Date(2026, 7, 1, 10, 0, 0, 0, time.UTC)
	combine := virtual.New(virtual.Scenario{Crop: "wheat", Hours: 0.02, InCrop: true, Start: origin.Format(time.RFC3339)}, 1)
	p := NewPretend(combine, origin, 1000, Clock{})
	if err := p.Set("sails", 3); err == nil {
		t.Error("the machine has sails")
	}
	to := combine.Setting("fan_speed") - 60
	set := make(chan error)
	go func() { set <- p.Set("fan_speed", to) }()
	frames := make([]canbus.Frame, 256)
	for {
		if _, _, err := p.Read(t.Context(), frames); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if err := <-set; err != nil {
		t.Fatal(err)
	}
	if got := combine.Setting("fan_speed"); got != to {
		t.Errorf("the fan stands at %g, sent to %g", got, to)
	}
}
