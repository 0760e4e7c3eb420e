package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"chaffinch/internal/daemon"

	"github.com/spf13/cobra"
)

// statusPath is where the daemon writes down how it is, as the package sets it
// up.
const statusPath = "/run/chaffinch/" + statusName

func statusVerb(s streams) *cobra.Command {
	var asJSON bool
	var path string
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Say whether the daemon is well, and what to do if not",
		Long: `Status tells in about ten lines how the daemon on this computer is: the first
line says whether it is well, and if not, the one thing to do. Then come the
bus, the signals that are heard, the store, the clock, the brokers, the page for
the phone, the last alert and the last start.

Exit code 0 means well, 1 not well or not running.`,
		Example: "  chaffinch status\n  chaffinch status --json",
		RunE: func(*cobra.Command, []string) error {
			status, age, err := daemon.ReadStatus(path)
			if errors.Is(err, fs.ErrNotExist) {
				const what, do = "the service chaffinch is not running", "sudo systemctl start chaffinch; if it does not stay up: journalctl -b -u chaffinch"
				if asJSON {
					return errors.Join(json.NewEncoder(s.out).Encode(map[string]any{"well": false, "what": what, "do": do}), exitCode(exitFailed))
				}
				fmt.Fprintf(s.out, "well?     NO: %s. Do: %s\n", what, do)
				fmt.Fprintln(s.out, "          (One that was started by hand is not seen here: look at its own output.)")
				return exitCode(exitFailed)
			}
			if err != nil {
				return err
			}
			stale := age > daemon.Stale || age < 0
			if stale {
				status.Well, status.What = false, fmt.Sprintf("it has not said anything for %v: it hangs, or was killed", age.Round(time.Second))
				status.Do = "sudo systemctl restart chaffinch; if it comes back: journalctl -b -u chaffinch"
			}
			if asJSON {
				out := json.NewEncoder(s.out)
				out.SetIndent("", "  ")
				err = out.Encode(status)
			} else {
				err = status.Write(s.out)
			}
			if err == nil && !status.Well {
				return exitCode(exitFailed)
			}
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "for programs: everything, as JSON")
	cmd.Flags().StringVar(&path, "file", statusPath, "where the daemon writes")
	return cmd
}
