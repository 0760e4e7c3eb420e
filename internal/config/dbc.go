package config

import (
	"fmt"
	"path/filepath"

	"chaffinch/canbus/decode"
	"chaffinch/internal/problem"
)

// loadDBC reads the signal databases that the [dbc] table names. Relative
// paths count from the folder of the configuration.
func (c *Config) loadDBC(folder string) []*problem.Problem {
	var all []*problem.Problem
	var files []decode.DBCFile
	for i, path := range c.DBC.Files {
		if !filepath.IsAbs(path) {
			path = filepath.Join(folder, path)
		}
		text, err := readBounded(path, decode.MaxDBCBytes)
		if err != nil {
			all = append(all, &problem.Problem{Key: fmt.Sprintf("dbc.files.%d", i), What: "the file cannot be read", Err: err,
				Try: "give the path of a DBC file, from the root or from the folder of this configuration"})
			continue
		}
		files = append(files, decode.DBCFile{Path: path, Text: text})
	}
	if len(c.DBC.Files) > 0 && len(c.DBC.Signals) == 0 {
		all = append(all, &problem.Problem{Key: "dbc.files", What: "no signal is taken from the files",
			Try: `name them: signals = { NAME_IN_THE_FILE = "rotor_speed_rpm" }`})
	}
	if len(c.DBC.Files) == 0 && len(c.DBC.Signals) > 0 {
		all = append(all, &problem.Problem{Key: "dbc.signals", What: "no file is given that they could be in",
			Try: `give files = ["machine.dbc"]`})
	}
	if len(all) > 0 {
		return all
	}
	entries, wrong := c.DBC.Entries(files)
	c.fromDBC = entries
	return wrong
}
