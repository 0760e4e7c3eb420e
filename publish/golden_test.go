package publish

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// start is the instant 0 of the examples.
var start = time.Date(2025, 7, 28, 12, 0, 0, 0, time.UTC)

var synced = Clock{Boot: 7, Wall: func(t signal.Instant) (time.Time, bool) { return start.Add(time.Duration(t)), true }}

var unset = Clock{Boot: 7, Wall: func(t signal.Instant) (time.Time, bool) { return time.Unix(0, int64(t)), false }}

func seconds(s float64) signal.Instant { return signal.Instant(s * 1e9) }

func rotor() *detect.Event {
	return &detect.Event{
		Number: 42, Kind: "rotor-slowing", Phase: detect.Raised, Priority: detect.High, Activity: machine.Cutting,
		Began: seconds(3600), Raised: seconds(3600.5), Signal: "rotor_speed_rpm",
		Peak:     detect.Fact{Name: "rotor_speed_rpm", Value: 871.6, Unit: "rpm"},
		Evidence: []detect.Fact{{Name: "engine_speed_rpm", Value: 2043.375, Unit: "rpm"}, {Name: "feed_rate_t_h", Value: 31.2499, Unit: "t/h"}},
		Latitude: 52.1234567, Longitude: -1.2000001, Located: true, Text: "Rotor 9 % slow: ease off",
	}
}

func known() *detect.Event {
	e := rotor()
	e.Phase, e.Acknowledged = detect.Changed, true
	return e
}

func ended() *detect.Event {
	return &detect.Event{
		Number: 43, Kind: "fault-code", Subject: "100-1@0", Phase: detect.Ended, Priority: detect.Medium, Activity: machine.Travelling,
		Began: seconds(3700), Raised: seconds(3700), Ended: seconds(3760.1), Text: "Engine 0: oil pressure low (SPN 100, FMI 1)",
	}
}

func moment() Moment {
	s := &machine.State{Now: seconds(3605.2), Activity: machine.Cutting, Basis: "rotor turning, load, speed", Since: seconds(3500),
		Feed: machine.Feed{Rate: 28.46, SD: 1.9, Basis: machine.FromPower}}
	good := func(id signal.ID, v float64, at float64) {
		s.Signals.Set(id, signal.Reading[float64]{Value: v, At: seconds(at), Heard: seconds(at), Quality: signal.Good})
	}
	good(signal.GroundSpeed.ID, 5.648, 3605.1)
	good(signal.EngineSpeed.ID, 2043.375, 3605.19)
	good(signal.ThreshingEngaged.ID, 1, 3604)
	good(signal.RotorSpeed.ID, 870, 3602) // too old
	good(signal.Latitude.ID, 52.12345678, 3605)
	s.Signals.Set(signal.GrainMoisture.ID, signal.Reading[float64]{Value: 99, Heard: seconds(3600), Quality: signal.NotAvailable})
	return Moment{State: s, Bus: Bus{State: "ok", FramesPerS: 702.4, LoadPct: math.NaN(), ErrorFrames: 3},
		Health: []Item{{Name: "broker-away", Text: "Uplink: broker away"}}}
}

func TestPayloadsHaveTheirForm(t *testing.T) {
	board := NewBoard(NewTopics("West 2"), synced)
	board.Apply(rotor(), []byte("{}"))
	live, ok := board.Live(moment())
	if !ok {
		t.Fatal("no live message")
	}
	tests := []struct {
		name string
		got  []byte
	}{
		{"event-raised", AppendEvent(nil, rotor(), synced)},
		{"event-ended", AppendEvent(nil, ended(), synced)},
		{"event-clock-unset", AppendEvent(nil, rotor(), unset)},
		{"message-raised", AppendEventMessage(nil, 118, seconds(3600.5), rotor(), synced)},
		{"message-ended-clock-unset", AppendEventMessage(nil, 121, seconds(3765), ended(), unset)},
		{"message-acknowledged", AppendEventMessage(nil, 119, seconds(3602), known(), synced)},
		{"message-gap", AppendGap(nil, 12, "7-12", "8-40")},
		{"live", live.Payload},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) { golden(t, test.name, test.got) })
	}
}

// golden compares a payload with its example.
func golden(t *testing.T, name string, payload []byte) {
	t.Helper()
	if !json.Valid(payload) {
		t.Fatalf("not JSON: %s", payload)
	}
	path := filepath.Join("testdata", name+".json")
	got := append(slices.Clone(payload), '\n')
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// The order stands in design section 5.5 and is a promise to readers.
func TestEventKeysComeInThePromisedOrder(t *testing.T) {
	want := []string{"schema", "id", "kind", "priority", "activity", "began", "raised", "ended", "duration_s", "signal", "peak",
		"evidence", "latitude", "longitude", "text"}
	for _, e := range []*detect.Event{rotor(), ended(), {}} {
		if got := keys(t, AppendEvent(nil, e, synced)); !slices.Equal(got, want) {
			t.Errorf("%s: keys %v, want %v", e.Kind, got, want)
		}
	}
}

func TestEnvelopeOpensEveryPayload(t *testing.T) {
	want := []string{"v", "id", "seq", "boot", "at", "clock", "uptime_ms"}
	live, _ := NewBoard(NewTopics("w"), synced).Live(moment())
	for _, payload := range [][]byte{live.Payload, AppendEventMessage(nil, 1, 0, rotor(), unset)} {
		if got := keys(t, payload)[:len(want)]; !slices.Equal(got, want) {
			t.Errorf("keys %v, want %v", got, want)
		}
	}
}

// keys are the keys of the outermost object in their order.
func keys(t *testing.T, object []byte) []string {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(object))
	if tok, err := d.Token(); err != nil || tok != json.Delim('{') {
		t.Fatalf("no object: %v %v", tok, err)
	}
	var all []string
	for d.More() {
		k, err := d.Token()
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, k.(string))
		var skip json.RawMessage
		if err := d.Decode(&skip); err != nil {
			t.Fatal(err)
		}
	}
	return all
}
