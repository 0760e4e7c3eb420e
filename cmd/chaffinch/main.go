// Command chaffinch listens to a combine's bus, warns, advises and records.
// One file a verb; what the verbs do stands in the packages they call.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // boards may come without time zones

	"github.com/spf13/cobra"
)

// Exit codes, as promised to scripts.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// usageError marks a wrong use of the command line.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// exitCode is an error that only carries a verb's own exit code.
type exitCode int

func (c exitCode) Error() string { return fmt.Sprintf("exit code %d", int(c)) }

// streams are the standard streams, given so that tests can set them.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	code := run(ctx, os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})
	stop()
	os.Exit(code)
}

// rootVerb is the program's own command, with every verb.
func rootVerb(s streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "chaffinch",
		Short: "Listens to a combine's bus, warns, advises and records; never sends on it",
		Long: `Chaffinch listens to the ISO 11783 / SAE J1939 bus of a combine harvester. It
works out what the machine is doing and how much crop goes through it, warns of
overload, a slowing rotor, drops of feed and sick sensors, keeps a record, and
publishes over MQTT. It never sends on the bus. It advises; the operator decides.
The machine's own manual, local rules and trained people come first.`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("there is no verb %q; chaffinch --help lists them", args[0])}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return usageError{errors.New("a verb is missing; chaffinch --help lists them")}
		},
	}
	root.SetIn(s.in)
	root.SetOut(s.out)
	root.SetErr(s.err)
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w; %s --help shows an example", err, cmd.CommandPath())}
	})
	root.AddCommand(
		runVerb(s), demoVerb(s), replayVerb(s), surveyVerb(s), findVerb(s), simulateVerb(s), scoreVerb(s),
		exportVerb(s), lossesVerb(s), deviceVerb(s), checkConfigVerb(s), checkStoreVerb(s), statusVerb(s), versionVerb(s), manualVerb(s),
	)
	for _, verb := range root.Commands() {
		verb.Args = asUsage(verb.Args)
		for _, under := range verb.Commands() {
			under.Args = asUsage(under.Args)
		}
	}
	return root
}

func run(ctx context.Context, args []string, s streams) int {
	root := rootVerb(s)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	var code exitCode
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &code):
		return int(code)
	case errors.As(err, &usage):
		fmt.Fprintln(s.err, "chaffinch:", err)
		return exitUsage
	default:
		fmt.Fprintln(s.err, "chaffinch:", err)
		return exitFailed
	}
}

// asUsage makes a wrong count of arguments a wrong use.
func asUsage(check cobra.PositionalArgs) cobra.PositionalArgs {
	if check == nil {
		check = cobra.NoArgs
	}
	return func(cmd *cobra.Command, args []string) error {
		if err := check(cmd, args); err != nil {
			return usageError{fmt.Errorf("%w; %s --help shows an example", err, cmd.CommandPath())}
		}
		return nil
	}
}
