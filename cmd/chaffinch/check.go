package main

import (
	"errors"
	"os"

	"chaffinch/internal/config"
	"chaffinch/store"

	"github.com/spf13/cobra"
)

func checkConfigVerb(s streams) *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "check-config [FILE]",
		Short: "Say whether a configuration is good, and what it leaves out",
		Long: `Check-config reads a configuration as the daemon would and reports all mistakes
at once, each with its line and what to do. Then it tells what the configuration
leaves out and what that costs.`,
		Example: "  chaffinch check-config /etc/chaffinch/chaffinch.toml",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				path = args[0]
			}
			if _, err := os.Stat(path); err != nil {
				return orNoConfig(path, err)
			}
			if err := config.Check(path, s.out); err != nil {
				if errors.Is(err, config.ErrMistakes) {
					return exitCode(exitFailed)
				}
				return err
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&path, "config", defaultConfig, "the file to check")
	return cmd
}

func checkStoreVerb(s streams) *cobra.Command {
	var salvage bool
	cmd := &cobra.Command{
		Use:   "check-store STORE",
		Short: "Say whether a store is sound; the daemon must not be using it",
		Long: `Check-store looks through a whole store: every page, and the checksum of every
record. Exit code 0 means sound, 3 damaged, 1 that it could not be judged. The
daemon runs it on its own store at each start.

With --salvage it reads what can be read of a damaged store into a new file.`,
		Example: `  chaffinch check-store /var/lib/chaffinch/chaffinch.db
  chaffinch check-store --salvage store.db.damaged-1 rescued.db`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case salvage && len(args) == 2:
				return asExit(store.SalvageCommand(s.out, args[0], args[1]))
			case !salvage && len(args) == 1:
				return asExit(store.CheckCommand(s.out, args[0]))
			}
			return usageError{errors.New("give one store, or with --salvage a damaged store and a new file")}
		},
	}
	cmd.Flags().BoolVar(&salvage, "salvage", false, "read what can be read into a new file")
	return cmd
}

func asExit(code int) error {
	if code == exitDone {
		return nil
	}
	return exitCode(code)
}
