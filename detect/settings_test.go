package detect

import (
	"math"
	"testing"
	"time"

	"chaffinch/canbus/signal"
)

func TestDefaultsAreValid(t *testing.T) {
	for _, p := range DefaultSettings().Validate() {
		t.Error(p)
	}
}

func TestSettingsValidate(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*Settings)
		key  string
	}{
		{"load as a share", func(s *Settings) { s.EngineOverload.Load = 0.95 }, "alarm.engine-overload.load_pct"},
		{"load is not a number", func(s *Settings) { s.EngineOverload.Load = -1 }, "alarm.engine-overload.load_pct"},
		{"no delay", func(s *Settings) { s.EngineOverload.For = 0 }, "alarm.engine-overload.for"},
		{"urgent before it is one", func(s *Settings) { s.EngineOverload.HighDrop = 3 }, "alarm.engine-overload.high_drop_pct"},
		{"drop within its return margin", func(s *Settings) { s.RotorSlowing.Drop = 2 }, "alarm.rotor-slowing.drop_pct"},
		{"coolant in Fahrenheit", func(s *Settings) { s.EngineHot.Coolant = 221 }, "alarm.engine-hot.coolant_c"},
		{"medium before it is raised", func(s *Settings) { s.FeedDrop.MediumAfter = Duration(time.Second) }, "alarm.feed-drop.medium_after"},
		{"a required signal that is none", func(s *Settings) { s.SignalSilent.Required = []string{"rotor_speed_rpm", "rotor_rpm"} }, "alarm.signal-silent.required.1"},
		{"hours", func(s *Settings) { s.BusSilent.For = Duration(2 * time.Hour) }, "alarm.bus-silent.for"},
		{"not a number", func(s *Settings) { s.FeedDrop.SpeedHeld = signal.Percent(math.NaN()) }, "alarm.feed-drop.speed_held_pct"},
	} {
		s := DefaultSettings()
		c.edit(&s)
		got := s.Validate()
		if len(got) != 1 || got[0].Key != c.key || got[0].What == "" || got[0].Try == "" {
			t.Errorf("%s: got %v, want one problem at %q", c.name, got, c.key)
		}
	}
}

func TestDuration(t *testing.T) {
	var d Duration
	if err := d.UnmarshalText([]byte("1.5s")); err != nil || d != Duration(1500*time.Millisecond) {
		t.Errorf("%v %v", d, err)
	}
	for _, wrong := range []string{"", "30", "half a minute"} {
		if err := d.UnmarshalText([]byte(wrong)); err == nil {
			t.Errorf("%q was read as %v", wrong, d)
		}
	}
	if text, err := Duration(90 * time.Second).MarshalText(); err != nil || string(text) != "1m30s" {
		t.Errorf("%s %v", text, err)
	}
}

// The table of kinds holds together: names are unique, causes are kinds, and
// stand before what they explain, because rules are stepped in that order.
func TestKinds(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		if k.Name == "" || seen[k.Name] {
			t.Errorf("kind %q is nameless or twice there", k.Name)
		}
		for _, cause := range k.ExplainedBy {
			if !seen[cause] {
				t.Errorf("%s is explained by %s, which does not stand before it", k.Name, cause)
			}
		}
		if k.Settled && !k.Cutting {
			t.Errorf("%s is settled without cutting", k.Name)
		}
		if k.Margin != 0 && k.Of == "" {
			t.Errorf("%s: margin without a unit", k.Name)
		}
		seen[k.Name] = true
	}
}

// Each kind can be switched off, and then is neither raised nor blind.
func TestDisabled(t *testing.T) {
	s := DefaultSettings()
	s.EngineHot.Enabled = false
	with, without := New(DefaultSettings(), Facts{}), New(s, Facts{})
	if len(without.rules) != len(with.rules)-1 {
		t.Fatalf("%d rules of %d", len(without.rules), len(with.rules))
	}
	for _, r := range without.rules {
		if r.alarms()[0].kind == engineHot {
			t.Error("engine-hot is still there")
		}
	}
}
