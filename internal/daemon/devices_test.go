package daemon

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"chaffinch/internal/config"
	"chaffinch/publish/mqtt"
)

// The folder of the store is the service's alone, so devices are added as root; and the
// service, which is not root, must be able to read what root wrote.
func TestTheServiceCanReadWhatRootAdded(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("NOT CHECKED: only root can give a file to another user")
	}
	const service = 12345
	folder := t.TempDir()
	if err := os.Chown(folder, service, service); err != nil {
		t.Fatal(err)
	}
	cfg := config.Default()
	cfg.Store.Path = filepath.Join(folder, "chaffinch.db")
	for _, name := range []string{"tablet", "logger"} {
		if _, err := AddDevice(cfg, name, mqtt.Look); err != nil {
			t.Fatal(err)
		}
	}
	if err := ForgetDevice(cfg, "tablet"); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(folder, credentialsFile))
	if err != nil {
		t.Fatal(err)
	}
	if of := info.Sys().(*syscall.Stat_t); of.Uid != service || of.Gid != service || info.Mode().Perm() != 0o600 {
		t.Errorf("it belongs to %d:%d, mode %v", of.Uid, of.Gid, info.Mode())
	}
}
