package virtual

import (
	"strings"
	"testing"

	"chaffinch/canbus"
)

func num(v float64) *float64 { return &v }

// A limit holds the machine back where the setting sits at it while the symptom
// is there that going on would relieve (the pairs: common practice, no source).
// A limit far from the setting, one on the other side, and one without the
// symptom hold nothing back.
func TestLimitHolding(t *testing.T) {
	wheat, _ := cropNamed("wheat")
	large, _ := modelNamed("large")
	rotor := usualSetting(&large, &wheat, "rotor_speed_rpm", 78)
	for _, tc := range []struct {
		name    string
		signal  string
		limit   Limit
		trouble string
		want    int
	}{
		{"rotor no faster", "rotor_speed_rpm", Limit{Max: num(rotor)}, "separation-loss", 1},
		{"rotor no slower", "rotor_speed_rpm", Limit{Min: num(rotor)}, "broken", 1},
		{"fan no faster", "fan_speed_rpm", Limit{Max: num(wheat.FanRPM)}, "trash", 1},
		{"fan no slower", "fan_speed_rpm", Limit{Min: num(wheat.FanRPM)}, "cleaning-loss", 1},
		{"concave no wider", "concave_mm", Limit{Max: num(wheat.ConcaveMM)}, "broken", 1},
		{"concave no tighter", "concave_mm", Limit{Min: num(wheat.ConcaveMM)}, "separation-loss", 1},
		{"upper sieve no further open", "upper_sieve_mm", Limit{Max: num(wheat.UpperMM)}, "cleaning-loss", 1},
		{"upper sieve no further closed", "upper_sieve_mm", Limit{Min: num(wheat.UpperMM)}, "trash", 1},
		{"lower sieve no further open", "lower_sieve_mm", Limit{Max: num(wheat.LowerMM)}, "returns", 1},
		{"lower sieve no further closed", "lower_sieve_mm", Limit{Min: num(wheat.LowerMM)}, "trash", 1},
		{"no faster", "ground_speed_kmh", Limit{Max: num(5.2)}, "thin", 1},
		{"limit is far", "rotor_speed_rpm", Limit{Max: num(1.1 * rotor)}, "separation-loss", 0},
		{"limit is on the other side", "rotor_speed_rpm", Limit{Min: num(rotor)}, "separation-loss", 0},
		{"no symptom", "rotor_speed_rpm", Limit{Max: num(rotor)}, "slow", 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := undisturbed("full", 0.2)
			s.PassM = 2500
			s.Limits = map[string]Limit{tc.signal: tc.limit}
			s.Events = []Trouble{{At: 200, Kind: tc.trouble}}
			if tc.trouble == "thin" {
				s.Events[0].Size = 0.35
			}
			if wrong := s.Validate(); len(wrong) > 0 {
				t.Fatal(wrong[0])
			}
			truth, _ := truthOf(s, 11)
			n := 0
			for _, v := range truth.Intervals {
				switch v.Kind {
				case "limit-holding":
					if v.Subject != tc.signal {
						t.Errorf("%+v", v)
					}
					if v.Began > 195 { // before, a thin patch may have come by
						n++
					}
				case "spare-capacity":
					t.Errorf("spare capacity beside the limit of ground speed: %+v", v)
				}
			}
			if n != tc.want {
				t.Errorf("%d times, want %d: %+v", n, tc.want, truth.Intervals)
			}
		})
	}
}

// The operator keeps to a limit of ground speed, and the owner's configuration
// has every limit.
func TestLimitsAreKeptAndTold(t *testing.T) {
	s := undisturbed("bare", 0.1)
	s.Limits = map[string]Limit{"ground_speed_kmh": {Max: num(4)}, "concave_mm": {Min: num(8), Max: num(12.5)}}
	most := 0.0
	c := New(s, 3)
	live(c, func(*canbus.Frame) {
		if c.op.phase == cutting {
			most = max(most, c.op.speedKMH)
		}
	})
	if most > 4 || most < 3.5 {
		t.Errorf("the operator wanted %.2f km/h, the limit is 4", most)
	}
	if text := ConfigText(s); !strings.Contains(text, "\nlimits = { ground_speed_kmh = { max = 4 }, concave_mm = { min = 8, max = 12.5 } }\n") {
		t.Errorf("the configuration lacks the limits:\n%s", text)
	}
	for _, bad := range []map[string]Limit{
		{"coolant_c": {Max: num(9)}}, {"concave_mm": {}}, {"concave_mm": {Min: num(9), Max: num(8)}}, {"fan_speed_rpm": {Max: num(-1)}},
	} {
		if len((Scenario{Limits: bad}).Validate()) != 1 {
			t.Errorf("%v is not found wrong", bad)
		}
	}
}

// Error frames are the share of all frames that the script asks for, and none
// come without it; what they destroyed is sent again.
func TestErrorFrames(t *testing.T) {
	s := undisturbed("full", 0.05)
	s.Events = []Trouble{{At: 40, Kind: "bus-errors", Size: 4, For: 60}}
	errors, during, outside, data := 0, 0, 0, 0
	live(New(s, 2), func(f *canbus.Frame) {
		at := float64(f.Stamp)/1e9 - 1722344400 // 2024-07-30T13:00:00Z
		switch {
		case !f.Is(canbus.ErrorFrame):
			data++
			if at > 40.1 && at < 100.1 {
				during++
			}
		case at < 40 || at > 100.2:
			outside++
		default:
			errors++
			if f.ID&(canbus.ErrProtocol|canbus.ErrBus) == 0 || f.IsData() {
				t.Fatalf("%+v", f)
			}
		}
	})
	near(t, "% error frames", 100*float64(errors)/float64(errors+during), 4, 0.5)
	if outside > 0 {
		t.Errorf("%d error frames outside", outside)
	}
	s.Events = nil
	plain := 0
	live(New(s, 2), func(*canbus.Frame) { plain++ })
	if data != plain {
		t.Errorf("%d data frames, without errors %d", data, plain)
	}
}
