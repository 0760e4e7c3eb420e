package virtual

import (
	"testing"

	"chaffinch/canbus"
)

func truthOf(s Scenario, seed uint64) (Truth, *Combine) {
	c := New(s, seed)
	live(c, func(*canbus.Frame) {})
	return c.Truth(), c
}

// What a script asks for comes true, under the name of the design.
func TestTroubleComesTrue(t *testing.T) {
	for _, tc := range []struct {
		trouble Trouble
		kind    string
		subject string
	}{
		{Trouble{Kind: "overload", Size: 1.15, For: 60}, "engine-overload", ""},
		{Trouble{Kind: "slug", Size: 1.35, For: 3}, "rotor-slowing", ""},
		{Trouble{Kind: "plug"}, "rotor-slowing", ""},
		{Trouble{Kind: "gap", Size: 0.05, For: 15}, "feed-drop", ""},
		{Trouble{Kind: "uneven"}, "feed-uneven", ""},
		{Trouble{Kind: "thin", Size: 0.3, For: 240}, "spare-capacity", ""},
		{Trouble{Kind: "separation-loss"}, "separation-loss-high", ""},
		{Trouble{Kind: "cleaning-loss"}, "cleaning-loss-high", ""},
		{Trouble{Kind: "returns"}, "returns-high", ""},
		{Trouble{Kind: "broken"}, "broken-grain-high", ""},
		{Trouble{Kind: "trash"}, "trash-high", ""},
		{Trouble{Kind: "hot"}, "engine-hot", ""},
		{Trouble{Kind: "silent", Signal: "engine_load_pct"}, "signal-silent", "engine_load_pct"},
		{Trouble{Kind: "missing", Signal: "rotor_speed_rpm"}, "signal-silent", "rotor_speed_rpm"},
		{Trouble{Kind: "error", Signal: "coolant_c"}, "signal-faulty", "coolant_c"},
		{Trouble{Kind: "stuck", Signal: "feeder_load_pct"}, "signal-stuck", "feeder_load_pct"},
		{Trouble{Kind: "implausible", Signal: "grain_moisture_pct"}, "signal-implausible", "grain_moisture_pct"},
		{Trouble{Kind: "fault-code", SPN: 1497, FMI: 7}, "fault-code", "1497-7"},
		{Trouble{Kind: "bus-silent"}, "bus-silent", ""},
		{Trouble{Kind: "bus-errors"}, "bus-errors", ""},
		{Trouble{Kind: "crop-loss"}, "crop-loss-high", ""},
	} {
		t.Run(tc.trouble.Kind, func(t *testing.T) {
			s := undisturbed("full", 0.2)
			s.PassM = 2500
			tc.trouble.At = 200
			s.Events = []Trouble{tc.trouble}
			if tc.kind == "crop-loss-high" {
				s.Signals = "generic" // nothing divides it
			}
			if wrong := s.Validate(); len(wrong) > 0 {
				t.Fatal(wrong[0])
			}
			truth, _ := truthOf(s, 11)
			n := 0
			for _, v := range truth.Intervals {
				if v.Kind == tc.kind && v.Subject == tc.subject && v.Began > 195 && v.Began < 350 {
					n++
				}
			}
			if n != 1 {
				t.Errorf("%d times %s, want once: %+v", n, tc.kind, truth.Intervals)
			}
		})
	}
}

// What is too small or too short is no trouble.
func TestSmallTroubleIsNone(t *testing.T) {
	for _, trouble := range []Trouble{
		{Kind: "slug", Size: 0.6, For: 2},
		{Kind: "gap", Size: 0.2, For: 2},
		{Kind: "slow"},
		{Kind: "silent", Signal: "engine_load_pct", For: 2},
		{Kind: "error", Signal: "coolant_c", For: 1},
		{Kind: "bus-errors", Size: 0.3},
		{Kind: "bus-errors", For: 1},
		{Kind: "silent", Signal: "ground_speed_kmh"}, // others know it
	} {
		s := undisturbed("full", 0.2)
		s.PassM = 2500
		trouble.At = 200
		s.Events = []Trouble{trouble}
		truth, _ := truthOf(s, 11)
		for _, v := range truth.Intervals {
			if v.Kind != "spare-capacity" {
				t.Errorf("%s %s: %+v", trouble.Kind, trouble.Signal, v)
			}
		}
	}
}

// A truth is in order, within the log, and quiet where it says so.
func TestTruthIsSane(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		truth, c := truthOf(Random(seed, 2.1), seed)
		end := c.seconds()
		last := 0.0
		for _, v := range truth.Intervals {
			if v.Began < last || v.Ended <= v.Began || v.Ended > end+1 || v.GreyBefore < 0 || v.GreyAfter < 0 {
				t.Errorf("seed %d: %+v", seed, v)
			}
			last = v.Began
			for _, q := range truth.Quiet {
				if v.Began < q[1] && v.Ended > q[0] {
					t.Errorf("seed %d: %+v in the quiet from %.1f to %.1f", seed, v, q[0], q[1])
				}
			}
		}
		if n := int(end); len(truth.Activity) < n-1 || len(truth.FeedTH) != len(truth.Activity) {
			t.Errorf("seed %d: %d seconds of %d", seed, len(truth.Activity), n)
		}
		count := map[string]int{}
		for i, a := range truth.Activity {
			count[a]++
			if a == "off" && truth.FeedTH[i] > 0.5 {
				t.Errorf("seed %d: %.1f t/h with the engine off", seed, truth.FeedTH[i])
			}
		}
		for _, a := range []string{"off", "idle", "travelling", "cutting", "turning"} {
			if count[a] == 0 {
				t.Errorf("seed %d: never %s", seed, a)
			}
		}
		if share := float64(count["cutting"]) / end; share < 0.5 || share > 0.95 {
			t.Errorf("seed %d: cutting %.0f %% of the time", seed, 100*share)
		}
	}
}

// Headland turns take 15 to 45 s (15 to 35 s is usual, wide ones longer).
func TestHeadlandTurns(t *testing.T) {
	s := undisturbed("full", 1)
	truth, _ := truthOf(s, 5)
	run, turns := 0, 0
	for _, a := range truth.Activity {
		if a == "turning" {
			run++
			continue
		}
		if run > 0 {
			turns++
			if run < 12 || run > 45 {
				t.Errorf("a turn of %d s", run)
			}
		}
		run = 0
	}
	if turns < 5 {
		t.Errorf("%d turns in an hour", turns)
	}
}

// The demonstration shows what it promises: something to see within 40 s, and
// the machine unloads while it cuts.
func TestDemo(t *testing.T) {
	s := Demo()
	if wrong := s.Validate(); len(wrong) > 0 {
		t.Fatal(wrong[0])
	}
	for seed := uint64(1); seed <= 4; seed++ {
		truth, _ := truthOf(s, seed)
		kinds := map[string]int{}
		for _, v := range truth.Intervals {
			kinds[v.Kind]++
		}
		if v := truth.Intervals[0]; v.Began > 10 {
			t.Errorf("seed %d begins with %+v", seed, v)
		}
		for _, k := range []string{"rotor-slowing", "feed-drop", "signal-silent", "fault-code", "separation-loss-high", "signal-faulty"} {
			if kinds[k] == 0 {
				t.Errorf("seed %d has no %s", seed, k)
			}
		}
		unloading, turning := 0, 0
		for i, a := range truth.Activity {
			if a == "turning" {
				turning++
			}
			if a == "cutting" && truth.Unloading[i] == 1 {
				unloading++
			}
		}
		if unloading < 30 || turning < 20 {
			t.Errorf("seed %d: %d s of unloading on the go, %d s of turning", seed, unloading, turning)
		}
	}
	long := DemoFor(2)
	if wrong := long.Validate(); len(wrong) > 0 {
		t.Error(wrong[0])
	}
}

// A script's mistakes are all told at once, each with its place and remedy.
func TestValidate(t *testing.T) {
	s := Scenario{Machine: "tiny", Crop: "hops", Signals: "some", Start: "noon", Hours: 1, Uneven: 3, Events: []Trouble{
		{Kind: "earthquake"}, {Kind: "slug", Size: 9}, {Kind: "silent", Signal: "mood"}, {Kind: "fault-code", FMI: 40, Lamp: "blue"}, {Kind: "gap", At: -3},
	}}
	want := []string{"start", "machine", "crop", "signals", "uneven", "event[0].kind", "event[1].size", "event[2].signal", "event[3].spn", "event[3].fmi", "event[3].lamp", "event[4].at_s"}
	got := map[string]bool{}
	for _, p := range s.Validate() {
		got[p.Key] = true
		if p.What == "" || p.Try == "" {
			t.Errorf("%s: no words", p.Key)
		}
	}
	for _, key := range want {
		if !got[key] {
			t.Errorf("%s is not found wrong", key)
		}
	}
	for _, k := range Kinds() {
		e := Trouble{Kind: k.Name, Signal: "engine_load_pct", SPN: 100}
		if wrong := (Scenario{Events: []Trouble{e}}).Validate(); len(wrong) > 0 {
			t.Errorf("%s with its defaults: %v", k.Name, wrong[0])
		}
	}
	for seed := uint64(1); seed < 40; seed++ {
		if wrong := Random(seed, 12).Validate(); len(wrong) > 0 {
			t.Errorf("seed %d: %v", seed, wrong[0])
		}
	}
	New(s, 1) // a wrong scenario is no reason to fall over
}
