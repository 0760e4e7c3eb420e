// Package recorded makes stores of make-believe harvests, for tests of what is
// handed over: the program itself records them, as replay --store does.
package recorded

import (
	"errors"
	"path/filepath"

	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/store"
)

// Harvest records a harvest of a seed in a store in the folder, and returns its
// path.
func Harvest(folder string, seed uint64, hours float64) (path string, err error) {
	scenario := virtual.Random(seed, hours)
	cfg, wrong := config.FromText(virtual.ConfigText(scenario))
	if err := errors.Join(wrong...); err != nil {
		return "", err
	}
	path = filepath.Join(folder, "store.db")
	recording, err := core.NewRecording(path, store.DefaultSettings())
	if err != nil {
		return "", err
	}
	c, err := core.New(cfg, recording.Beside(core.Outputs{}))
	if err != nil {
		return "", errors.Join(err, recording.Close())
	}
	recording.Follow(c)
	combine := virtual.New(scenario, seed)
	for f := range combine.Frames() {
		c.Frame(f)
	}
	c.Finish()
	return path, recording.Close()
}
