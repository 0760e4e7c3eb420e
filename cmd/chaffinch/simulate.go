package main

import (
	"context"
	"encoding/json"
	"errors"
	"os"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/config"

	"github.com/spf13/cobra"
)

type simulateFlags struct {
	script, out, truth, config string
	seed                       uint64
	hours                      float64
}

func simulateVerb(s streams) *cobra.Command {
	f := simulateFlags{seed: 1, hours: 1, out: "-"}
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Write the bus log of a make-believe harvest, and the truth about it",
		Example: `  chaffinch simulate --seed 7 --hours 12 --out day.log --truth day.json --config day.toml
  chaffinch replay --config day.toml day.log`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.script != "" && cmd.Flags().Changed("hours") {
				return usageError{errors.New("--script says itself how long it is: leave --hours out")}
			}
			return simulate(cmd.Context(), s, f)
		},
	}
	cmd.Flags().StringVar(&f.script, "script", "", "what happens, as TOML (default: a day from the seed)")
	cmd.Flags().Uint64Var(&f.seed, "seed", f.seed, "which of the many possible days")
	cmd.Flags().Float64Var(&f.hours, "hours", f.hours, "how long; not with --script")
	cmd.Flags().StringVar(&f.out, "out", f.out, "where the log goes, in candump form")
	cmd.Flags().StringVar(&f.truth, "truth", "", "where the truth goes, as JSON")
	cmd.Flags().StringVar(&f.config, "config", "", "where the configuration goes that suits the machine")
	return cmd
}

func simulate(ctx context.Context, s streams, f simulateFlags) (err error) {
	if !(f.hours > 0 && f.hours <= 1000) {
		return usageError{errors.New("--hours is above 0 and up to 1000")}
	}

	scenario := virtual.Random(f.seed, f.hours)
	if f.script != "" {
		var wrong []error
		if scenario, wrong = config.LoadScenario(f.script); len(wrong) > 0 {
			return errors.Join(wrong...)
		}
	}
	if f.config != "" {
		if err := os.WriteFile(f.config, []byte(virtual.ConfigText(scenario)), 0o644); err != nil {
			return err
		}
	}
	out, closeOut, err := create(s, f.out)
	if err != nil {
		return err
	}
	defer closeOut(&err)
	log := canbus.NewLogWriter(out, []string{"can0"})
	combine := virtual.New(scenario, f.seed)
	frames := make([]canbus.Frame, 512)
	for done := false; !done; {
		if err := ctx.Err(); err != nil {
			return err
		}
		var n int
		n, done = combine.Next(frames)
		if err := log.Write(frames[:n]); err != nil {
			return err
		}
	}
	if f.truth == "" {
		return nil
	}
	truth, closeTruth, err := create(s, f.truth)
	if err != nil {
		return err
	}
	defer closeTruth(&err)
	encoder := json.NewEncoder(truth)
	encoder.SetIndent("", " ")
	return encoder.Encode(combine.Truth())
}
