// Package configs holds the data that the program carries within itself: the
// commented default configuration, the profiles of crops, and what is known of
// setting a combine. A file on the disk wins over the one within.
package configs

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

//go:embed chaffinch.toml
var defaultFile []byte

//go:embed crops/*.toml
var crops embed.FS

//go:embed advice/*.toml
var advice embed.FS

// Default is the commented configuration file. A line that begins with "#" and
// a key is a default; one that begins with "##" is an example.
func Default() []byte { return slices.Clone(defaultFile) }

// Within stands for the folder when a profile comes from the program itself.
const Within = "built in"

// Crop reads the profile of a crop: FOLDER/NAME.toml if there is one, else the
// one within. It says which file it was. The error is fs.ErrNotExist if there
// is no such crop. An empty folder is none.
func Crop(folder, name string) (text []byte, from string, err error) {
	if !isName(name) {
		return nil, "", fmt.Errorf("configs: crop %q: %w", name, fs.ErrNotExist)
	}
	file := name + ".toml"
	if folder != "" {
		from = filepath.Join(folder, file)
		text, err = os.ReadFile(from)
		if err == nil {
			return text, from, nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return nil, from, fmt.Errorf("configs: crop %s: %w", name, err)
		}
	}
	text, err = crops.ReadFile("crops/" + file)
	if err != nil {
		return nil, "", fmt.Errorf("configs: crop %s: %w", name, fs.ErrNotExist)
	}
	return text, Within + ": crops/" + file, nil
}

// Advice reads a file of what is known of setting a combine, one of
// AdviceFiles, as Crop reads a profile.
func Advice(folder, name string) (text []byte, from string, err error) {
	if !isName(name) {
		return nil, "", fmt.Errorf("configs: advice %q: %w", name, fs.ErrNotExist)
	}
	within, err := advice.ReadFile("advice/" + name + ".toml")
	if err != nil {
		return nil, "", fmt.Errorf("configs: advice %s: %w", name, fs.ErrNotExist)
	}
	if folder != "" {
		from = filepath.Join(folder, name+".toml")
		text, err = os.ReadFile(from)
		if err == nil {
			return text, from, nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return nil, from, fmt.Errorf("configs: advice %s: %w", name, err)
		}
	}
	return within, Within + ": advice/" + name + ".toml", nil
}

// AdviceFiles lists the names of those files in order, without ".toml".
func AdviceFiles() []string {
	entries, _ := advice.ReadDir("advice") // embedded: always there
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return names
}

// Crops lists the crops that there are, in order, those of the folder included.
func Crops(folder string) []string {
	within, _ := crops.ReadDir("crops") // embedded: always there
	entries := within
	if folder != "" {
		if more, err := os.ReadDir(folder); err == nil {
			entries = append(entries, more...)
		}
	}
	var names []string
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".toml"); ok && isName(name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// isName keeps a name from pointing out of the folder.
func isName(name string) bool {
	for _, c := range []byte(name) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			return false
		}
	}
	return name != "" && len(name) <= 40
}
