package canbus

import "testing"

func TestSettingsValidate(t *testing.T) {
	for _, c := range []struct {
		name string
		s    Settings
		key  string // of the only problem; empty: none
	}{
		{"default", DefaultSettings(), ""},
		{"virtual", Settings{Interface: "vcan0", Bitrate: 500_000}, ""},
		{"no name", Settings{Bitrate: 250_000}, "bus.interface"},
		{"a path", Settings{Interface: "/dev/can0", Bitrate: 250_000}, "bus.interface"},
		{"longer than IFNAMSIZ allows", Settings{Interface: "can0123456789abc", Bitrate: 250_000}, "bus.interface"},
		{"in kbit/s", Settings{Interface: "can0", Bitrate: 250}, "bus.bitrate"},
	} {
		got := c.s.Validate()
		if (c.key == "") != (len(got) == 0) || len(got) > 1 || len(got) == 1 && got[0].Key != c.key {
			t.Errorf("%s: got %v, want one problem at %q", c.name, got, c.key)
		}
	}
}
