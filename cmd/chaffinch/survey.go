package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"chaffinch/canbus"
	"chaffinch/internal/config"
	"chaffinch/internal/problem"
	"chaffinch/internal/survey"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"
)

type surveyFlags struct {
	iface, config, writeConfig string
	bitrate                    int
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
with. Listen while the machine works: much is only sent then.

It never sends, so it cannot ask nodes for their names. They say them when the
key is turned on: begin before that. Ctrl-C ends the listening early.

--json gives everything as one object. Units are in the names of its fields: _s,
_ms, _hz, _pct, _kbit_s; addresses, PGN, SPN and DDI are plain numbers.`,
		Example: `  chaffinch survey --interface can0 --for 60s
  chaffinch survey --json first-day.log.gz`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error { return runSurvey(cmd, s, f, args) },
	}
	cmd.Flags().StringVar(&f.iface, "interface", "", "listen to this interface instead of reading logs")
	cmd.Flags().DurationVar(&f.duration, "for", f.duration, "how long to listen")
	cmd.Flags().IntVar(&f.bitrate, "bitrate", 0, "bits a second of the bus, for its load (default: the interface's, or the configuration's)")
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
	if f.duration <= 0 {
		return usageError{errors.New("--for must be longer than nothing: give a time such as 60s")}
	}
	cfg, err := loadConfig(f.config)
	if err != nil {
		return err
	}
	if f.bitrate != 0 {
		cfg.Bus.Bitrate = f.bitrate
		for _, wrong := range cfg.Bus.Validate() {
			if wrong.Key == "bus.bitrate" {
				return usageError{fmt.Errorf("--bitrate: %s; %s", wrong.What, wrong.Try)}
			}
		}
	}
	sur, err := survey.New(cfg)
	if err != nil {
		return err
	}
	var report *survey.Report
	if f.iface != "" {
		report, err = listen(cmd, s, f, cfg, sur)
	} else {
		report, err = readLogs(s, sur, logs)
	}
	if err != nil {
		return err
	}
	if f.json {
		encoder := json.NewEncoder(s.out)
		encoder.SetIndent("", " ")
		err = encoder.Encode(report)
	} else {
		err = report.Write(s.out, f.all)
	}
	// Last, since it may fail: nobody wants to listen again for that.
	if f.writeConfig != "" {
		err = errors.Join(err, writeNew(f.writeConfig, report.Config))
	}
	return err
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
	if stats := log.Stats(); stats.Frames == 0 {
		return nil, &problem.Problem{What: fmt.Sprintf("no frame in %d lines", stats.Lines),
			Try: "give a log in candump or asc form, or a pcap capture of SocketCAN"}
	}
	tellWhole(s.err, log.Stats())
	return sur.Report(log.Interfaces(), log.Stats()), nil
}

// listen opens an interface that must be there and up: nobody waits half a
// minute for a bus that is not.
func listen(cmd *cobra.Command, s streams, f surveyFlags, cfg *config.Config, sur *survey.Survey) (*survey.Report, error) {
	socket, err := canbus.OpenSocket(canbus.SocketOptions{Interface: f.iface, AllowNormalMode: cfg.Bus.AllowNormalMode})
	if err != nil {
		return nil, err
	}
	defer socket.Close()
	health := socket.Health()
	if err := notHeard(health, cfg.Bus.Bitrate); err != nil {
		return nil, err
	}
	if health.Bitrate > 0 && f.bitrate == 0 {
		cfg.Bus.Bitrate = health.Bitrate
	}
	read := func(frames []canbus.Frame) (int, error) { return socket.Read(frames, 100*time.Millisecond) }
	if err := hear(cmd.Context(), read, countdown(s, f.duration), f.duration, sur); err != nil {
		return nil, err
	}
	sur.Lost(socket.Health().Dropped)
	return sur.Report([]string{f.iface}, canbus.Stats{}), nil
}

// notHeard says what to do about an interface that is not there, or switched off.
func notHeard(h canbus.Health, bitrate int) error {
	switch h.State {
	case canbus.Absent:
		return &problem.Problem{What: fmt.Sprintf("there is no interface %s", h.Interface),
			Try: `"ip link" lists those that there are; is the adapter plugged in, and its driver loaded?`}
	case canbus.Down:
		return &problem.Problem{What: h.Interface + " is switched off",
			Try: fmt.Sprintf(`switch it on with "ip link set %s up type can bitrate %d listen-only on"`, h.Interface, bitrate)}
	}
	return nil
}

// hear takes frames until the time is over, or somebody has heard enough.
func hear(ctx context.Context, read func([]canbus.Frame) (int, error), bar *progressbar.ProgressBar, long time.Duration, sur *survey.Survey) error {
	frames := make([]canbus.Frame, 256)
	began := time.Now()
	newest := began
	for time.Since(began) < long && ctx.Err() == nil {
		n, err := read(frames)
		if err != nil {
			return err
		}
		if n > 0 {
			newest = time.Now()
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
	sur.Listened(time.Since(began), time.Since(newest))
	return nil
}
