package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/detect/machine"
	"chaffinch/internal/config"
	"chaffinch/internal/core"
	"chaffinch/internal/problem"
	"chaffinch/publish"

	"github.com/spf13/cobra"
)

type replayFlags struct {
	config, events, samples, record string
	notes, answers, states, speed   string
	store                           string
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
logs, configuration and answers give the same bytes each time. --store makes a
store as the daemon's: events, advice, shifts, and history at one row a second.

What the adviser tells (prompts, verdicts, checks, settings) goes to --notes, each
a JSON line as on MQTT. What people told it comes from --answers: JSON lines with
a time, as a date or in seconds from the start of the log, and one of
acknowledge, answer, check and setup, as on the topics under do/:

  {"time":1800.5,"answer":{"prompt":"p1-1","reply":"done"}}
  {"time":"2026-07-28T10:15:00Z","check":{"tank":{"broken":"some"}}}

With --states each stretch of an activity is a JSON line when it is over, and the
last line is how much time went into each.

Logs may be in candump form (plain, gzip or zstd, several interfaces in one
file), in the asc form that asc2log and log2asc exchange, or pcap captures of
SocketCAN. Lines that cannot be read are counted and reported.`,
		Example: `  chaffinch replay monday.log.gz
  chaffinch replay --config /etc/chaffinch/chaffinch.toml --samples monday.csv monday.log
  chaffinch replay --answers told.jsonl --notes - --events /dev/null monday.log.gz
  candump -L can0 | chaffinch replay -`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return replay(cmd, s, f, args) },
	}
	cmd.Flags().StringVar(&f.config, "config", "", "configuration file (default: the built-in one)")
	cmd.Flags().StringVar(&f.events, "events", "-", "where the events go, as JSON lines")
	cmd.Flags().StringVar(&f.samples, "samples", "", "where a CSV table of every signal goes, one row a second")
	cmd.Flags().StringVar(&f.notes, "notes", "", "where what the adviser tells goes, as JSON lines")
	cmd.Flags().StringVar(&f.answers, "answers", "", "what people told, with times, as JSON lines")
	cmd.Flags().StringVar(&f.states, "states", "", "where the activities go, as JSON lines (--states alone: standard output)")
	cmd.Flags().Lookup("states").NoOptDefVal = "-"
	cmd.Flags().StringVar(&f.store, "store", "", "where a new store goes, with all that the daemon would have kept")
	cmd.Flags().StringVar(&f.speed, "speed", "max", "max, or times the pace of the log")
	cmd.Flags().StringVar(&f.record, "record", "", "where the frames go, as a candump log")
	cmd.Flags().BoolVar(&f.quiet, "quiet", false, "no summary and no progress")
	return cmd
}

func replay(cmd *cobra.Command, s streams, f replayFlags, logs []string) (err error) {
	read := append(slices.Clone(logs), f.config, f.answers)
	if err := apart(read, output{"events", f.events}, output{"samples", f.samples}, output{"notes", f.notes},
		output{"states", f.states}, output{"store", f.store}, output{"record", f.record}); err != nil {
		return err
	}
	if f.answers == "-" && slices.Contains(logs, "-") {
		return usageError{errors.New("the log and the answers cannot both come from standard input: give one of them as a file")}
	}
	cfg, err := loadConfig(f.config)
	if err != nil {
		return err
	}
	pace, err := paceOf(f.speed)
	if err != nil {
		return err
	}
	script, err := readAnswers(s, f.answers)
	if err != nil {
		return err
	}
	log, err := openLogs(s, logs)
	if err != nil {
		return err
	}
	defer log.Close()
	log.ReadAhead()

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
	if f.states != "" {
		stretches, closeStretches, err2 := create(s, f.states)
		if err2 != nil {
			return err2
		}
		defer closeStretches(&err)
		activities := core.NewActivities(stretches, wall)
		defer func() { err = errors.Join(err, activities.Close()) }()
		before := out.State
		out.State = func(st *machine.State) { before(st); activities.State(st) }
	}
	out.Note = summary.Note
	if f.notes != "" {
		said, closeSaid, err2 := create(s, f.notes)
		if err2 != nil {
			return err2
		}
		defer closeSaid(&err)
		notes := core.NewNotes(said, wall)
		defer func() { err = errors.Join(err, notes.Close()) }()
		out.Note = func(n *advise.Note) { summary.Note(n); notes.Note(n) }
	}
	out.Shift = summary.Shift
	var recording *core.Recording
	if f.store != "" {
		if recording, err = core.NewRecording(f.store, cfg.Store); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, recording.Close()) }()
		out = recording.Beside(out)
	}
	if c, err = core.New(cfg, out); err != nil {
		return err
	}
	if recording != nil {
		recording.Follow(c)
	}
	c.Follow(script, func(in publish.Input, why error) { fmt.Fprintf(s.err, "%s not taken: %v\n", in.Name(), why) })
	var record io.Writer
	leftOut := 0
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
		if err := pace.wait(cmd.Context(), frames); err != nil {
			return err
		}
		if bar != nil {
			bar.Set64(log.Stats().Bytes)
		}
		if record != nil {
			w := canbus.NewLogWriter(record, log.Interfaces())
			err := w.Write(frames)
			leftOut += w.LeftOut()
			return err
		}
		return nil
	})
	if bar != nil {
		bar.Clear()
	}
	if errors.Is(err, context.Canceled) {
		fmt.Fprintln(s.err, "stopped before the end of the log; up to there:")
	}
	if leftOut > 0 {
		fmt.Fprintf(s.err, "%d CAN FD frames are not in %s: their data are not kept\n", leftOut, f.record)
	}
	if n := c.Waiting(); n > 0 && err == nil {
		fmt.Fprintf(s.err, "%d of the answers are for after the end of the log\n", n)
	}
	if s := c.ShiftToEnd(); s != nil {
		summary.Shift(core.ShiftTold{Phase: core.ShiftEnded, Summary: s})
	}
	if f.quiet {
		tellWhole(s.err, log.Stats())
	} else {
		summary.Write(s.err, log.Interfaces(), log.Stats())
	}
	if err == nil && log.Stats().Frames == 0 {
		return errors.New("no frame was found")
	}
	return err
}

func readAnswers(s streams, path string) (core.Script, error) {
	switch path {
	case "":
		return nil, nil
	case "-":
		return core.ReadScript("standard input", s.in)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return core.ReadScript(path, file)
}

// pace holds a log to a multiple of its own pace; 0 holds it to nothing.
type pace struct {
	speed float64
	began time.Time
	first int64
}

func paceOf(text string) (pace, error) {
	if text == "max" {
		return pace{}, nil
	}
	speed, err := strconv.ParseFloat(text, 64)
	if err != nil || !(speed >= 0.01 && speed <= 10000) {
		return pace{}, usageError{fmt.Errorf("--speed: %q is neither max nor a number from 0.01 to 10000", text)}
	}
	return pace{speed: speed}, nil
}

// wait waits until the last of the frames is due. A log whose clock steps is not
// waited for longer than a minute at once.
func (p *pace) wait(ctx context.Context, frames []canbus.Frame) error {
	if p.speed == 0 || len(frames) == 0 {
		return nil
	}
	last := frames[len(frames)-1].Stamp
	if p.began.IsZero() {
		p.began, p.first = time.Now(), frames[0].Stamp
	}
	due := time.Until(p.began.Add(time.Duration(float64(last-p.first) / p.speed)))
	if due > time.Minute || due < -time.Minute {
		p.began, p.first = time.Now(), last
		return nil
	}
	select {
	case <-time.After(due):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// loadConfig reads a configuration; all mistakes become one error.
func loadConfig(path string) (*config.Config, error) {
	if path == "" {
		return config.Default(), nil
	}
	cfg, wrong := config.Load(path)
	if len(wrong) > 0 {
		return nil, orNoConfig(path, errors.Join(wrong...))
	}
	return cfg, nil
}

// orNoConfig says what to do where there is no configuration file at all.
func orNoConfig(path string, err error) error {
	if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if _, gone := os.Stat(path); !errors.Is(gone, fs.ErrNotExist) {
		return err // the file is there, and something that it names is not
	}
	return &problem.Problem{What: "there is no configuration " + path,
		Try: "give the path of yours with --config, or copy configs/chaffinch.toml of the source there"}
}

func openLogs(s streams, paths []string) (*canbus.LogReader, error) {
	if len(paths) == 1 && paths[0] == "-" {
		return canbus.NewLogReader("standard input", s.in), nil
	}
	return canbus.OpenLogs(paths...)
}
