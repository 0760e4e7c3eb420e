package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/config"
	"chaffinch/internal/daemon"
	"chaffinch/publish/mqtt"
	"chaffinch/publish/phone"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// defaultConfig is where the package puts the configuration.
const defaultConfig = "/etc/chaffinch/chaffinch.toml"

func runVerb(s streams) *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "run",
		Short: "Listen to the machine's bus: the daemon",
		Long: `Run is the daemon. It listens to the bus, records, publishes over MQTT and
serves the page for the phone until it is stopped. It never sends on the bus, and refuses an interface that is not in
listen-only mode. It starts without a bus, a network or a clock, and takes them
up when they come.`,
		Example: "  chaffinch run --config /etc/chaffinch/chaffinch.toml",
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("config") {
				if _, err := os.Stat(path); os.IsNotExist(err) {
					path = "" // nothing is configured: the defaults will do
				}
			}
			cfg, err := loadConfig(path)
			if err != nil {
				return err
			}
			takeCredentials(cfg, os.Getenv("CREDENTIALS_DIRECTORY"))
			exe, err := os.Executable()
			if err != nil {
				return fmt.Errorf("run: find the program itself: %w", err)
			}
			log := slog.New(daemon.CalmLog(slog.NewTextHandler(s.err, nil)))
			live := daemon.NewLive(cfg.Bus, daemon.Clock{}, log)
			defer live.Close()
			for _, n := range cfg.Notes() {
				log.Info("not configured", "key", n.Key, "what", n.What, "costs", n.Costs)
			}
			log.Info("starting", "interface", cfg.Bus.Interface, "version", version())
			return daemon.Run(cmd.Context(), daemon.Options{
				Config: cfg, Source: live, SelfExe: exe, Log: log,
				Told:    func(e *detect.Event) { logEvent(log, e) },
				Noted:   func(n *advise.Note) { logNote(log, n) },
				Version: version(),
				Service: daemon.ServiceFrom(os.Getenv), StatusFile: statusFile(os.Getenv),
				ShowCode: func(c phone.Code) {
					if f, ok := s.err.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
						fmt.Fprintln(f, c.Terminal())
					}
				},
			})
		},
	}
	cmd.Flags().StringVar(&path, "config", defaultConfig, "configuration file")
	return cmd
}

// takeCredentials takes the passwords of brokers that the service manager hands
// over (LoadCredential= in the unit), where the configuration names a user and
// no file. None need be there.
func takeCredentials(cfg *config.Config, folder string) {
	if folder == "" {
		return
	}
	for name, server := range map[string]*mqtt.Server{"broker-password": &cfg.MQTT.Server, "uplink-password": &cfg.MQTT.Uplink} {
		file := filepath.Join(folder, name)
		if _, err := os.Stat(file); err == nil && server.Username != "" && server.PasswordFile == "" {
			server.PasswordFile = file
		}
	}
}

// statusFile is where the daemon writes down how it is: in the folder that the
// service manager gives it, which is in memory. Without a manager, nowhere.
func statusFile(getenv func(string) string) string {
	folder, _, _ := strings.Cut(getenv("RUNTIME_DIRECTORY"), ":")
	if folder == "" {
		return ""
	}
	return filepath.Join(folder, statusName)
}

// statusName is the file's name in that folder.
const statusName = "status.json"

// logEvent logs an alert that comes or goes.
func logEvent(log *slog.Logger, e *detect.Event) {
	switch e.Phase {
	case detect.Raised:
		log.Info("alert", "kind", e.Kind, "priority", e.Priority, "text", e.Text)
	case detect.Ended:
		log.Info("alert over", "kind", e.Kind, "after", e.Ended.Sub(e.Began))
	}
}

// logNote logs what the adviser tells, but for what is only for the record.
func logNote(log *slog.Logger, n *advise.Note) {
	switch n.Kind {
	case advise.PromptOpened:
		log.Info("prompt", "id", n.Prompt.ID, "head", n.Prompt.Head, "reason", n.Prompt.Reason)
	case advise.PromptClosed:
		log.Info("prompt over", "id", n.Prompt.ID, "how", n.Prompt.Closed)
	case advise.VerdictGiven:
		log.Info("verdict", "outcome", n.Verdict.Outcome, "text", n.Verdict.Text)
	case advise.CheckAsked:
		log.Info("check wanted", "check", n.Check.Check, "text", n.Check.Text)
	case advise.NothingMore, advise.WorkedBefore:
		log.Info("advice", "text", n.Remark.Text)
	}
}
