package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"

	"github.com/spf13/cobra"
)

type replayFlags struct {
	config, events, samples, record string
	quiet                           bool
}

func replayVerb(s streams) *cobra.Command {
	var f replayFlags
	cmd := &cobra.Command{
		Use:   "replay LOG…",
		Short: "Run recorded logs through the whole pipeline",
		Long: `Replay runs recorded logs through the same path that a live bus takes. Each
event is a JSON line on standard output, in the order in which they were raised;
a summary goes to standard error. "-" is standard input, or output. The same
logs and configuration give the same bytes each time.

Logs may be in candump form (plain, gzip or zstd, several interfaces in one
file), in the asc form that asc2log and log2asc exchange, or pcap captures of
SocketCAN. Lines that cannot be read are counted and reported.`,
		Example: `  chaffinch replay monday.log.gz
  chaffinch replay --config /etc/chaffinch/chaffinch.toml --samples monday.csv monday.log
  candump -L can0 | chaffinch replay -`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return replay(cmd, s, f, args) },
	}
	cmd.Flags().StringVar(&f.config, "config", "", "configuration file (default: the built-in one)")
	cmd.Flags().StringVar(&f.events, "events", "-", "where the events go, as JSON lines")
	cmd.Flags().StringVar(&f.samples, "samples", "", "where a CSV table of every signal goes, one row a second")
	cmd.Flags().StringVar(&f.record, "record", "", "where the frames go, as a candump log")
	cmd.Flags().BoolVar(&f.quiet, "quiet", false, "no summary and no progress")
	return cmd
}

func replay(cmd *cobra.Command, s streams, f replayFlags, logs []string) (err error) {
	cfg, err := loadConfig(f.config)
	if err != nil {
		return err
	}
	log, err := openLogs(s, logs)
	if err != nil {
		return err
	}
	defer log.Close()

	var c *core.Core
	wall := func(at signal.Instant) (time.Time, bool) { return time.Unix(0, c.Stamp(at)), true }
	events, closeEvents, err := create(s, f.events)
	if err != nil {
		return err
	}
	defer closeEvents(&err)
	lines := core.NewLines(events, wall)
	defer func() { err = errors.Join(err, lines.Close()) }()

	summary := core.NewSummary()
	out := core.Outputs{
		Event:   func(e *detect.Event) { lines.Event(e); summary.Event(e) },
		Reading: summary.Reading,
		State:   summary.State,
	}
	if f.samples != "" {
		table, closeTable, err2 := create(s, f.samples)
		if err2 != nil {
			return err2
		}
		defer closeTable(&err)
		samples := core.NewSamples(table, wall)
		defer func() { err = errors.Join(err, samples.Close()) }()
		out.State = func(st *machine.State) { summary.State(st); samples.State(st) }
	}
	if c, err = core.New(cfg, out); err != nil {
		return err
	}
	var record io.Writer
	if f.record != "" {
		file, closeRecord, err2 := create(s, f.record)
		if err2 != nil {
			return err2
		}
		defer closeRecord(&err)
		record = file
	}
	bar := progress(s, f.quiet, logs)
	err = c.Replay(cmd.Context(), log, func(frames []canbus.Frame) error {
		summary.Batch(frames)
		if bar != nil {
			bar.Set64(log.Stats().Bytes)
		}
		if record != nil {
			return canbus.NewLogWriter(record, log.Interfaces()).Write(frames)
		}
		return nil
	})
	if bar != nil {
		bar.Clear()
	}
	if errors.Is(err, context.Canceled) {
		fmt.Fprintln(s.err, "stopped before the end of the log; up to there:")
	}
	if !f.quiet {
		summary.Write(s.err, log.Interfaces(), log.Stats())
	}
	if err == nil && log.Stats().Frames == 0 {
		return errors.New("no frame was found")
	}
	return err
}

// loadConfig reads a configuration; all mistakes become one error.
func loadConfig(path string) (*config.Config, error) {
	if path == "" {
		return config.Default(), nil
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	return cfg, nil
}

func openLogs(s streams, paths []string) (*canbus.LogReader, error) {
	if len(paths) == 1 && paths[0] == "-" {
		return canbus.NewLogReader("standard input", s.in), nil
	}
	return canbus.OpenLogs(paths...)
}

// create opens a file for writing; "-" is standard output. The function it
// returns closes it and adds what goes wrong then to an error.
func create(s streams, path string) (io.Writer, func(*error), error) {
	if path == "-" {
		return s.out, func(*error) {}, nil
	}
	file, err := os.Create(path)
	if err != nil {
		return nil, nil, err
	}
	return file, func(err *error) { *err = errors.Join(*err, file.Close()) }, nil
}
