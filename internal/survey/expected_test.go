package survey

import (
	"slices"
	"strings"
	"testing"

	"chaffinch/canbus/signal"
)

// expected is what is known of a recording beyond counts: with the figures that
// stand in testdata/real/README.md, from its authors or from other decoders.
type expected struct {
	file               string
	duration           float64
	words              map[uint8]string // nodes that said their names
	claimed            int              // how many did; -1: not known
	complete, aborted  uint64           // by the transport protocol
	incomplete         uint64
	whole              []Message // messages in several frames: group, sender, length, count
	codes              []Fault
	reporters          int
	states             map[signal.ID]string
	says, doesNotOffer []string
}

var expectations = []expected{
	{
		file: "tractor-start-and-rev.log", duration: 30.6, claimed: 5,
		words:    map[uint8]string{0x00: "engine", 0x03: "transmission", 0x06: "function 14", 0x17: "instrument cluster", 0x47: "function 52"},
		complete: 8, whole: []Message{{Place: Place{"can0", 0}, PGN: 65251, LongestB: 34, Count: 8}}, reporters: 4,
		states: map[signal.ID]string{signal.EngineSpeed.ID: "heard", signal.RotorSpeed.ID: "missing", signal.GroundSpeed.ID: "silent"},
		says: []string{"This is a tractor, as its nodes claim", "5 nodes speak, and all said what they are.",
			"seen standing and running, up to 1256 rpm", "31 °C"},
		doesNotOffer: []string{"rotor-slowing", "feed-drop"},
	},
	{
		file: "tractor-gears-difflock.log", duration: 45.7, claimed: 5, complete: 10,
		says: []string{"This is a tractor", "up to 1012 rpm", "46 to 47 °C"},
	},
	{
		file: "tractor-keyon-pause.log", duration: 34.2, claimed: 5, says: []string{"This is a tractor", "up to 1011 rpm", "always 38 °C"},
	},
	{
		file: "tractor-ignition-off.log", duration: 24.3, claimed: 1,
		states: map[signal.ID]string{signal.EngineSpeed.ID: "missing"}, says: []string{"No engine is heard.", "1 node speaks, and said what it is"},
		doesNotOffer: []string{"engine-hot", "engine-overload", "bus-silent"},
	},
	{
		file: "truck-keyon-engine-off.log.gz", duration: 316.0, claimed: 1, complete: 315 + 63 + 13, aborted: 38, reporters: -1,
		whole: []Message{{Place: Place{"can0", 0x0B}, PGN: 65226, LongestB: 30, Count: 315}, {Place: Place{"can0", 0}, PGN: 65251, LongestB: 39, Count: 63},
			{Place: Place{"can0", 0xFE}, PGN: 65259, LongestB: 28, Count: 13}},
		codes: []Fault{{SPN: 102, FMI: 3, Count: 1, Lamp: "malfunction"}, at(0x0B, 611, 14), at(0x0B, 627, 4), at(0x0B, 789, 2),
			at(0x0B, 790, 2), at(0x0B, 791, 2), at(0x0B, 792, 2), at(0x0B, 811, 2)},
		states: map[signal.ID]string{signal.Coolant.ID: "error"},
		says:   []string{"The engine stands", "road vehicle", "8 fault codes are active", "always 0.0 km/h"}, doesNotOffer: []string{"engine-hot"},
	},
	{
		file: "truck-idle-two-channels.log.gz", duration: 127.2, complete: 152,
		whole: []Message{{Place: Place{"can0", 0}, PGN: 65251, LongestB: 39, Count: 25}, {Place: Place{"can0", 0}, PGN: 65226, LongestB: 18, Count: 127}},
		codes: []Fault{{SPN: 609, FMI: 9, Count: 1, Lamp: "malfunction"}, {SPN: 609, FMI: 12, Count: 3, Lamp: "malfunction"},
			{SPN: 980, FMI: 9, Count: 126, Lamp: "malfunction"}, {SPN: 3216, FMI: 20, Count: 2, Lamp: "malfunction"}},
		reporters: 1,
		says: []string{"the bus of an engine", "none said its name", "The engine runs, 646 to 654 rpm.", "71 to 72 °C", "10 to 12 %",
			"12278 frames of 11 bits", "can1"},
	},
	{
		file: "truck-busy-bus-values-not-available.log.gz", duration: 25.2, complete: 15, incomplete: 4, reporters: -1,
		whole: []Message{{Place: Place{"can0", 0}, PGN: 65226, LongestB: 22, Count: 15}},
		codes: []Fault{{SPN: 111, FMI: 4, Count: 1, Lamp: "warning"}, {SPN: 625, FMI: 8, Count: 6, Lamp: "warning"},
			{SPN: 1483, FMI: 2, Count: 34, Lamp: "warning"}, {SPN: 1483, FMI: 12, Count: 42, Lamp: "warning"},
			{SPN: 520222, FMI: 12, Count: 3, Lamp: "warning"}, {Place: Place{"can0", 0x25}, SPN: 524232, FMI: 31, Count: 33},
			{Place: Place{"can0", 0x98}, SPN: 273406, FMI: 31, Count: 1}},
		states: map[signal.ID]string{signal.EngineSpeed.ID: "not-available", signal.EngineLoad.ID: "not-available",
			signal.GroundSpeed.ID: "not-available", signal.FuelRate.ID: "not-available"},
		says:         []string{"road vehicle", "19 nodes speak", `its speed is "not-available"`, "Survey again with it running", "sends tachograph", "probably the brakes"},
		doesNotOffer: []string{"engine-overload", "engine-hot", "bus-silent", "rotor-slowing"},
	},
	{
		// Between the steps of the clock there are 61.2 s (a sum over its stamps).
		file: "boat-n2k-clock-step.log.gz", duration: 61.2, claimed: 40,
		says: []string{"boat's NMEA 2000", "No engine is heard.", "clock was set 2 times"},
	},
	{
		file: "boat-n2k-one-minute.log.gz", duration: 60.0, claimed: -1,
		states: map[signal.ID]string{signal.Latitude.ID: "heard", signal.Longitude.ID: "heard", signal.EngineSpeed.ID: "missing"},
		says:   []string{"boat's NMEA 2000", "No engine is heard.", "no node reports faults"},
	},
}

func at(address uint8, spn uint32, fmi uint8) Fault {
	return Fault{Place: Place{"can0", address}, SPN: spn, FMI: fmi, Lamp: "warning"}
}

func (c *expected) check(t *testing.T, r *Report) {
	if r.DurationS < c.duration-0.06 || r.DurationS > c.duration+0.06 {
		t.Errorf("%.2f s, want %.1f", r.DurationS, c.duration)
	}
	claimed := 0
	for _, n := range r.Nodes {
		if n.Name != "" {
			claimed++
		}
		if want := c.words[n.Address]; !strings.Contains(n.Words, want) {
			t.Errorf("node %02X is %q, want %q", n.Address, n.Words, want)
		}
	}
	if c.claimed >= 0 && claimed != c.claimed {
		t.Errorf("%d nodes said their names, want %d", claimed, c.claimed)
	}
	var complete, aborted, lost uint64
	for _, k := range r.Transport {
		if k.Kind == "broadcast" || k.Kind == "addressed" {
			complete, aborted, lost = complete+k.Complete, aborted+k.Aborted, lost+k.Lost
		}
	}
	if c.complete > 0 && (complete != c.complete || aborted != c.aborted || lost != c.incomplete) {
		t.Errorf("sessions: %d complete, %d aborted, %d incomplete", complete, aborted, lost)
	}
	for _, want := range c.whole {
		if !slices.ContainsFunc(r.Messages, func(m Message) bool {
			return m.Whole && m.Place == want.Place && m.PGN == want.PGN && m.ShortestB == want.LongestB && m.LongestB == want.LongestB && m.Count == want.Count
		}) {
			t.Errorf("no %d messages of %d bytes of PGN %d from %02X", want.Count, want.LongestB, want.PGN, want.Address)
		}
	}
	var codes []Fault
	for _, f := range r.Faults {
		if f.Words == "" {
			t.Errorf("%+v has no words", f)
		}
		f.Words = ""
		codes = append(codes, f)
	}
	for i := range c.codes {
		c.codes[i].Interface = "can0"
	}
	if !slices.Equal(codes, c.codes) {
		t.Errorf("codes %v, want %v", codes, c.codes)
	}
	if c.reporters > 0 && r.Reporters != c.reporters {
		t.Errorf("%d nodes report faults, want %d", r.Reporters, c.reporters)
	}
	for id, want := range c.states {
		if got := r.Signals[id].State; got != want {
			t.Errorf("%s is %s, want %s", id, got, want)
		}
	}
	for _, a := range r.Alarms {
		if slices.Contains(c.doesNotOffer, a.Kind) && a.Possible {
			t.Errorf("it offers %s", a.Kind)
		}
	}
	flat := strings.Join(strings.Fields(text(t, r, false)), " ")
	for _, want := range c.says {
		if !strings.Contains(flat, want) {
			t.Errorf("does not say %q:\n%s", want, strings.Join(r.Verdict, "\n"))
		}
	}
	mustLoad(t, r.Config)
}
