package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"chaffinch/canbus"
	"chaffinch/canbus/virtual"
	"chaffinch/internal/score"

	"github.com/spf13/cobra"
)

type scoreFlags struct {
	events, truth, start, log, picture string
	suite, json, list, advice          bool
	from, to, dialogue                 uint64
	hours                              float64
}

func scoreVerb(s streams) *cobra.Command {
	f := scoreFlags{from: score.HeldFrom, to: score.HeldTo, hours: 2}
	cmd := &cobra.Command{
		Use:   "score",
		Short: "Compare alarms with the truth",
		Long: `Score puts the events of a log against the truth about it: for each kind how
many troubles were found, how many alarms were wrong, and how late they came.
Times in the truth count from the first frame of the log. Where the truth does
not say when that was, --start or --log must.

With --advice an obedient operator follows the adviser's prompts on make-believe
machines that are badly set, from frames to verdicts, and what came of it is
held against the truth: whether all targets or the best settings were reached,
with how many prompts, in what time, and whether it came to an end. Seeds under
7000 were looked at while it was built; the default ones are only reported.

With --suite it runs make-believe harvests through the whole program, on all
processors, and adds them up. Seeds 1 to 400 are for tuning; the default ones
are only reported.`,
		Example: `  chaffinch simulate --seed 7 --hours 12 --out day.log --truth day.json --config day.toml
  chaffinch replay --config day.toml --events day.jsonl day.log
  chaffinch score --events day.jsonl --truth day.json
  chaffinch score --suite --from 1 --to 30 --list
  chaffinch score --advice
  chaffinch score --advice --dialogue 25
  chaffinch score --suite --from 7 --to 7 --hours 1 --picture hour.svg`,
		RunE: func(cmd *cobra.Command, args []string) error { return scoreRun(cmd, s, f) },
	}
	cmd.Flags().StringVar(&f.events, "events", "", "events as JSON lines, from replay")
	cmd.Flags().StringVar(&f.truth, "truth", "", "the truth, as simulate writes it")
	cmd.Flags().StringVar(&f.start, "start", "", "when the log began (RFC 3339)")
	cmd.Flags().StringVar(&f.log, "log", "", "the log, to see when it began")
	cmd.Flags().BoolVar(&f.json, "json", false, "the score as JSON")
	cmd.Flags().BoolVar(&f.list, "list", false, "list what was missed, late or false as well")
	cmd.Flags().BoolVar(&f.suite, "suite", false, "run make-believe harvests")
	cmd.Flags().BoolVar(&f.advice, "advice", false, "follow the adviser on badly set make-believe machines")
	cmd.Flags().Uint64Var(&f.dialogue, "dialogue", 0, "with --advice: print the dialogue of one seed instead")
	cmd.Flags().Uint64Var(&f.from, "from", f.from, "first seed of the suite")
	cmd.Flags().Uint64Var(&f.to, "to", f.to, "last seed of the suite")
	cmd.Flags().Float64Var(&f.hours, "hours", f.hours, "length of a harvest; every tenth takes three times as long")
	cmd.Flags().StringVar(&f.picture, "picture", "", "with --suite: draw an hour of the first harvest, as SVG")
	return cmd
}

func scoreRun(cmd *cobra.Command, s streams, f scoreFlags) error {
	switch {
	case f.advice:
		return scoreAdvice(cmd, s, f)
	case f.suite:
		return scoreSuite(cmd, s, f)
	}
	if f.events == "" || f.truth == "" {
		return usageError{errors.New("--events and --truth are needed, or --suite")}
	}
	truthFile, err := os.Open(f.truth)
	if err != nil {
		return err
	}
	defer truthFile.Close()
	truth, err := score.ReadTruth(truthFile)
	if err != nil {
		return err
	}
	eventsFile, err := os.Open(f.events)
	if err != nil {
		return err
	}
	defer eventsFile.Close()
	events, err := score.ReadEvents(eventsFile)
	if err != nil {
		return err
	}
	start, err := logStart(f, truth, events)
	if err != nil {
		return err
	}
	card := score.Match(truth, events.Alerts(start), score.UsualDeadlines())
	if f.list {
		card.List(s.err, "", truth)
	}
	return showCard(s.out, f, &card)
}

// logStart is when the first frame was received.
func logStart(f scoreFlags, truth *virtual.Truth, events *score.Events) (time.Time, error) {
	text := truth.Start
	if f.start != "" {
		text = f.start
	}
	switch {
	case f.log != "":
		log, err := canbus.OpenLogs(f.log)
		if err != nil {
			return time.Time{}, err
		}
		defer log.Close()
		var first [1]canbus.Frame
		if n, err := log.Read(first[:]); n == 0 {
			return time.Time{}, fmt.Errorf("%s has no frame: %w", f.log, err)
		}
		return time.Unix(0, first[0].Stamp), nil
	case text != "":
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return at, usageError{fmt.Errorf("when the log began is no time: %w; write it like 2024-07-30T08:00:00Z", err)}
		}
		return at, nil
	case events.CountedFromZero():
		return time.Unix(0, 0), nil
	}
	return time.Time{}, usageError{errors.New("the truth does not say when its log began: give --log FILE or --start TIME")}
}

func showCard(w io.Writer, f scoreFlags, card *score.Card) error {
	if f.json {
		return card.WriteJSON(w)
	}
	card.Write(w)
	return nil
}

func scoreSuite(cmd *cobra.Command, s streams, f scoreFlags) error {
	if f.events != "" || f.truth != "" {
		return usageError{errors.New("--suite makes its own events and truth")}
	}
	if f.to < f.from || f.to-f.from >= 10000 || f.hours < 0.05 || f.hours > 33 {
		return usageError{errors.New("give seeds --from up to --to, at most 10000 of them, and --hours of 0.05 to 33")}
	}
	cases := score.Suite(f.from, f.to, f.hours)
	if f.picture != "" {
		out, closeOut, err := create(s, f.picture)
		if err != nil {
			return err
		}
		err = score.Picture(out, cases[0])
		closeOut(&err)
		if err != nil {
			return err
		}
	}
	total, hours, right, seconds := score.Card{}, 0.0, 0, 0
	began := time.Now()
	err := score.RunAll(cmd.Context(), cases, func(r *score.Result) error {
		total.Add(&r.Card)
		hours += r.Scenario.Hours
		right, seconds = right+r.RightSeconds, seconds+r.Seconds
		if f.list {
			r.Card.List(s.err, fmt.Sprintf("seed %d (%s, %s, %s): ", r.Seed, r.Scenario.Machine, r.Scenario.Crop, r.Scenario.Signals), &r.Truth)
		}
		return nil
	})
	if err != nil {
		return err
	}
	total.Complete()
	if !f.json {
		fmt.Fprintf(s.out, "%d harvests, %.0f h of machine time, seeds %d to %d\n", len(cases), hours, f.from, f.to)
		fmt.Fprintf(s.out, "activity right in %.2f %% of the time\n\n", 100*float64(right)/float64(max(seconds, 1)))
		fmt.Fprintf(s.err, "took %.0f s\n", time.Since(began).Seconds())
	}
	return showCard(s.out, f, &total)
}
