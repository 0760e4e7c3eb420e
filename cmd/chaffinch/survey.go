package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"chaffinch/canbus"
	"chaffinch/internal/survey"

	"github.com/spf13/cobra"
)

type surveyFlags struct {
	iface, config, writeConfig string
	duration                   time.Duration
	json, all                  bool
}

func surveyVerb(s streams) *cobra.Command {
	f := surveyFlags{duration: 30 * time.Second}
	cmd := &cobra.Command{
		Use:   "survey [LOG…]",
		Short: "Say who is on a bus, what is heard of each signal, and what is missing",
		Long: `Survey listens to a bus for a while, or reads recorded logs, and tells who is
there, what they send, what chaffinch hears of each signal that it wants, what a
missing one costs and what to do about it. It ends with a configuration to begin
with. It never sends, so it cannot ask nodes for their names: they say them when
the key is turned.`,
		Example: `  chaffinch survey --interface can0 --for 60s
  chaffinch survey --json first-day.log.gz`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return runSurvey(cmd, s, f, args) },
	}
	cmd.Flags().StringVar(&f.iface, "interface", "", "listen to this interface instead of reading logs")
	cmd.Flags().DurationVar(&f.duration, "for", f.duration, "how long to listen")
	cmd.Flags().StringVar(&f.config, "config", "", "configuration file (default: the built-in one)")
	cmd.Flags().StringVar(&f.writeConfig, "write-config", "", "where the configuration to begin with goes")
	cmd.Flags().BoolVar(&f.json, "json", false, "everything as one JSON object")
	cmd.Flags().BoolVar(&f.all, "all", false, "show long lists in full")
	return cmd
}

func runSurvey(cmd *cobra.Command, s streams, f surveyFlags, logs []string) error {
	if (f.iface == "") == (len(logs) == 0) {
		return usageError{errors.New("give logs, or an --interface to listen to")}
	}
	cfg, err := loadConfig(f.config)
	if err != nil {
		return err
	}
	sur, err := survey.New(cfg)
	if err != nil {
		return err
	}
	var report *survey.Report
	if f.iface != "" {
		report, err = listen(cmd, s, f, sur)
	} else {
		report, err = readLogs(s, sur, logs)
	}
	if err != nil {
		return err
	}
	if f.writeConfig != "" {
		if err := writeNew(f.writeConfig, report.Config); err != nil {
			return err
		}
	}
	if f.json {
		encoder := json.NewEncoder(s.out)
		encoder.SetIndent("", " ")
		return encoder.Encode(report)
	}
	return report.Write(s.out, f.all)
}

// writeNew writes a file that is not there yet: a configuration that an owner
// has filled in must not be lost.
func writeNew(path, text string) error {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s is there already; give another name", path)
	}
	if err != nil {
		return err
	}
	_, err = file.WriteString(text)
	return errors.Join(err, file.Close())
}

func readLogs(s streams, sur *survey.Survey, logs []string) (*survey.Report, error) {
	log, err := openLogs(s, logs)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	bar := progress(s, false, logs)
	frames := make([]canbus.Frame, 512)
	for {
		n, err := log.Read(frames)
		for i := range frames[:n] {
			sur.Frame(&frames[i])
		}
		if bar != nil {
			bar.Set64(log.Stats().Bytes)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	if bar != nil {
		bar.Clear()
	}
	return sur.Report(log.Interfaces(), log.Stats()), nil
}

func listen(cmd *cobra.Command, s streams, f surveyFlags, sur *survey.Survey) (*survey.Report, error) {
	socket, err := canbus.OpenSocket(canbus.SocketOptions{Interface: f.iface})
	if err != nil {
		return nil, err
	}
	defer socket.Close()
	if socket.Health().State == canbus.Absent {
		return nil, fmt.Errorf("there is no interface %s; ip link shows those that there are", f.iface)
	}
	bar := countdown(s, f.duration)
	frames := make([]canbus.Frame, 256)
	began := time.Now()
	for time.Since(began) < f.duration && cmd.Context().Err() == nil {
		n, err := socket.Read(frames, 100*time.Millisecond)
		if err != nil {
			return nil, err
		}
		for i := range frames[:n] {
			sur.Frame(&frames[i])
		}
		if bar != nil {
			bar.Set64(int64(time.Since(began).Seconds()))
		}
	}
	if bar != nil {
		bar.Clear()
	}
	return sur.Report([]string{f.iface}, canbus.Stats{}), nil
}
