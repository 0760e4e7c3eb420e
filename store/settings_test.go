package store

import "testing"

func TestSettingsValidate(t *testing.T) {
	if got := DefaultSettings().Validate(); len(got) != 0 {
		t.Errorf("default: %v", got)
	}
	for _, c := range []struct {
		name string
		edit func(*Settings)
		key  string
	}{
		{"no path", func(s *Settings) { s.Path = "" }, "store.path"},
		{"relative", func(s *Settings) { s.Path = "chaffinch.db" }, "store.path"},
		{"a folder", func(s *Settings) { s.Path = "/var/lib/" }, "store.path"},
		{"no room", func(s *Settings) { s.MaxMB = 0 }, "store.max_mb"},
		{"kept for no day", func(s *Settings) { s.KeepDays = 0 }, "store.keep_days"},
	} {
		s := DefaultSettings()
		c.edit(&s)
		if got := s.Validate(); len(got) != 1 || got[0].Key != c.key {
			t.Errorf("%s: got %v, want one problem at %q", c.name, got, c.key)
		}
	}
}
