package main

import (
	"fmt"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func versionVerb(s streams) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Say which version this is",
		Example: "  chaffinch version",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			_, err := fmt.Fprintln(s.out, "chaffinch", version())
			return err
		},
	}
}

// version is the module's version, or the commit it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	var commit, dirty string
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			commit = " " + s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = " with local changes"
		}
	}
	return v + commit + dirty + " " + info.GoVersion
}
