package phone

import "testing"

func TestSettingsValidate(t *testing.T) {
	for _, c := range []struct {
		listen string
		good   bool
	}{
		{DefaultSettings().Listen, true}, {"", true}, {"192.168.7.1:8080", true}, {"[::1]:80", true},
		{"8080", false}, {":0", false}, {":65536", false}, {"host:", false}, {"http://host:80", false},
	} {
		if got := (Settings{Listen: c.listen}).Validate(); (len(got) == 0) != c.good {
			t.Errorf("listen = %q: %v", c.listen, got)
		}
	}
}
