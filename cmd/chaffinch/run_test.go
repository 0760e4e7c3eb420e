package main

import (
	"os"
	"path/filepath"
	"testing"

	"chaffinch/internal/config"
)

func TestPasswordsFromTheServiceManager(t *testing.T) {
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "uplink-password"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(folder, "uplink-password")
	for _, c := range []struct{ name, folder, user, given, want string }{
		{"handed over", folder, "combine", "", file},
		{"the configuration's own file is taken first", folder, "combine", "/etc/chaffinch/p", "/etc/chaffinch/p"},
		{"nobody logs in", folder, "", "", ""},
		{"no service manager", "", "combine", "", ""},
		{"none is there", t.TempDir(), "combine", "", ""},
	} {
		cfg := config.Default()
		cfg.MQTT.Username = c.user // there is no broker-password
		cfg.MQTT.Uplink.Username, cfg.MQTT.Uplink.PasswordFile = c.user, c.given
		takeCredentials(cfg, c.folder)
		if got := cfg.MQTT.Uplink.PasswordFile; got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		if got := cfg.MQTT.PasswordFile; got != "" {
			t.Errorf("%s: the other broker got %q", c.name, got)
		}
	}
}
