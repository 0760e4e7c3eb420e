package fetch

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Tokens are what pairing gave, by the address of the machine, in a file that only
// its owner may read.
type Tokens struct {
	path string
	all  map[string]string
}

// OpenTokens reads the file; an empty path is the usual one, in the user's
// configuration folder. One that is not there is empty.
func OpenTokens(path string) (*Tokens, error) {
	if path == "" {
		folder, err := os.UserConfigDir()
		if err != nil {
			return nil, fmt.Errorf("fetch: %w", err)
		}
		path = filepath.Join(folder, "chaffinch", "machines.json")
	}
	t := &Tokens{path, map[string]string{}}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return t, nil
	}
	if err != nil {
		return nil, fmt.Errorf("fetch: %w", err)
	}
	if err := json.Unmarshal(text, &t.all); err != nil {
		return nil, fmt.Errorf("fetch: %s: %w", path, err)
	}
	return t, nil
}

// Of is the token for an address, or empty.
func (t *Tokens) Of(base string) string { return t.all[base] }

// Keep keeps the token for an address.
func (t *Tokens) Keep(base, token string) error {
	t.all[base] = token
	text, err := json.MarshalIndent(t.all, "", "  ")
	if err != nil {
		return fmt.Errorf("fetch: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(t.path), 0o700); err != nil {
		return fmt.Errorf("fetch: %w", err)
	}
	if err := os.WriteFile(t.path+".new", text, 0o600); err != nil {
		return fmt.Errorf("fetch: %w", err)
	}
	return os.Rename(t.path+".new", t.path)
}
