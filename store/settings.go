package store

import (
	"fmt"
	"path/filepath"

	"chaffinch/internal/problem"
)

// Settings is the [store] table of the configuration.
type Settings struct {
	// Path is the file that holds events, history, shifts and the outbox.
	Path string `toml:"path"`
	// MaxMB is how large the file may grow, in MiB: 16 to 4096.
	MaxMB int `toml:"max_mb"`
	// KeepDays is for how many days history is kept, if it fits: 1 to 3650.
	KeepDays int `toml:"keep_days"`
}

// DefaultSettings keeps a year and a harvest, in at most 256 MiB.
func DefaultSettings() Settings {
	return Settings{Path: "/var/lib/chaffinch/chaffinch.db", MaxMB: 256, KeepDays: 400}
}

// Beside is the path of a file in the same folder as the store.
func (s Settings) Beside(name string) string { return filepath.Join(filepath.Dir(s.Path), name) }

// The limits of [store].
const (
	minMB, maxMB     = 16, 4096
	minDays, maxDays = 1, 3650
)

// Validate returns what cannot be.
func (s Settings) Validate() []*problem.Problem {
	var all []*problem.Problem
	if !filepath.IsAbs(s.Path) || s.Path != filepath.Clean(s.Path) {
		all = append(all, &problem.Problem{Key: "store.path", What: fmt.Sprintf("%q is not the full path of a file", s.Path),
			Try: `give a path from the root, such as "/var/lib/chaffinch/chaffinch.db"`})
	}
	if s.MaxMB < minMB || s.MaxMB > maxMB {
		all = append(all, &problem.Problem{Key: "store.max_mb", What: fmt.Sprintf("the store cannot be held to %d MB", s.MaxMB),
			Try: fmt.Sprintf("give %d to %d; a 12 h shift takes less than 8", minMB, maxMB)})
	}
	if s.KeepDays < minDays || s.KeepDays > maxDays {
		all = append(all, &problem.Problem{Key: "store.keep_days", What: fmt.Sprintf("history cannot be kept for %d days", s.KeepDays),
			Try: fmt.Sprintf("give %d to %d", minDays, maxDays)})
	}
	return all
}
