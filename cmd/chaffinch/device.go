package main

import (
	"errors"
	"fmt"

	"chaffinch/internal/config"
	"chaffinch/internal/daemon"
	"chaffinch/publish/mqtt"

	"github.com/spf13/cobra"
)

func deviceVerb(s streams) *cobra.Command {
	var path, role string
	cmd := &cobra.Command{
		Use:   "device",
		Short: "Say who may use the MQTT broker inside",
		Long: `Device keeps the list of clients that the MQTT broker inside lets in: a
tablet, a logger, an office. Each has a name, a password of its own and a role:

  look    reads what is published
  answer  also acknowledges, answers prompts and brings checks
  set-up  also changes crop, header, limits and targets

The password is made here, shown once and kept nowhere. The daemon knows of a
change from its next start. Phones that use the page are paired there, not here.`,
		Example: `  chaffinch device add logger
  chaffinch device add tablet --role answer
  chaffinch device list
  chaffinch device forget tablet`,
		Args: cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("device cannot %q: give add, list or forget", args[0])}
			}
			return usageError{errors.New("say what: device add, list or forget")}
		},
	}
	cmd.PersistentFlags().StringVar(&path, "config", defaultConfig, "the daemon's configuration")
	load := func() (*config.Config, error) { return loadConfig(path) }
	add := &cobra.Command{Use: "add NAME", Short: "Let one more client in", Args: cobra.ExactArgs(1),
		Example: "  chaffinch device add tablet --role answer",
		RunE: func(_ *cobra.Command, args []string) error {
			r, ok := mqtt.ParseRole(role)
			if !ok {
				return usageError{fmt.Errorf("--role: %q is none of look, answer and set-up", role)}
			}
			cfg, err := load()
			if err != nil {
				return err
			}
			password, err := daemon.AddDevice(cfg, args[0], r)
			if err != nil {
				return orNotAllowed(err)
			}
			fmt.Fprintf(s.out, "username %s\npassword %s\nIt is shown this once. Restart the daemon.\n", args[0], password)
			return nil
		}}
	add.Flags().StringVar(&role, "role", mqtt.Look.String(), "look, answer or set-up")
	list := &cobra.Command{Use: "list", Short: "List the clients and their roles", Args: cobra.NoArgs, Example: "  chaffinch device list",
		RunE: func(*cobra.Command, []string) error {
			cfg, err := load()
			if err != nil {
				return err
			}
			all, err := daemon.Devices(cfg)
			if err != nil {
				return orNotAllowed(err)
			}
			for _, c := range all {
				fmt.Fprintf(s.out, "%-8s %s\n", c.Role, c.Name)
			}
			return nil
		}}
	forget := &cobra.Command{Use: "forget NAME", Short: "Let a client in no more", Args: cobra.ExactArgs(1), Example: "  chaffinch device forget tablet",
		RunE: func(_ *cobra.Command, args []string) error {
			cfg, err := load()
			if err != nil {
				return err
			}
			return orNotAllowed(daemon.ForgetDevice(cfg, args[0]))
		}}
	cmd.AddCommand(add, list, forget)
	return cmd
}
