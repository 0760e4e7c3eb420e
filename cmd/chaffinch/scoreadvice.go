package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"chaffinch/internal/coaching"

	"github.com/spf13/cobra"
)

// scoreAdvice puts the adviser to the test on make-believe machines.
func scoreAdvice(cmd *cobra.Command, s streams, f scoreFlags) error {
	if f.suite || f.events != "" || f.truth != "" || f.json {
		return usageError{errors.New("--advice makes its own machines and prints a table: leave out --suite, --events, --truth and --json")}
	}
	if cmd.Flags().Changed("dialogue") {
		one, err := coaching.Run(coaching.Cases(f.dialogue, f.dialogue, coaching.BadlySet)[0])
		if err != nil {
			return err
		}
		one.WriteDialogue(s.out)
		return nil
	}
	from, to := uint64(coaching.HeldFrom), uint64(coaching.HeldTo)
	if cmd.Flags().Changed("from") {
		from, to = f.from, f.from+coaching.HeldTo-coaching.HeldFrom
	}
	if cmd.Flags().Changed("to") {
		to = f.to
	}
	if to < from || to-from >= 1000 {
		return usageError{errors.New("give seeds --from up to --to, at most 1000 of them")}
	}
	began := time.Now()
	play := func(to uint64, kind coaching.Kind) (t coaching.Table, err error) {
		err = coaching.RunAll(cmd.Context(), coaching.Cases(from, to, kind), func(one *coaching.Session) error {
			t.Add(one)
			return nil
		})
		if f.list {
			t.List(s.err)
		}
		return t, err
	}
	bad, err := play(to, coaching.BadlySet)
	if err != nil {
		return err
	}
	well, err := play(from+(to-from)/6, coaching.WellSet)
	if err != nil {
		return err
	}
	heavy, err := play(to, coaching.HeavyHanded)
	if err != nil {
		return err
	}
	unmoved, err := play(to+(to-from)/3, coaching.Unmoved)
	if err != nil {
		return err
	}
	byHand, err := play(to, coaching.HandSet)
	if err != nil {
		return err
	}
	showAdvice(s.out, from, to, &bad, &well, &heavy, &unmoved, &byHand)
	fmt.Fprintf(s.err, "took %.0f s\n", time.Since(began).Seconds())
	return nil
}

// showAdvice prints what came of badly set machines, of well set ones, of those
// whose operator has a heavy hand, of those of which nothing was moved, and of
// those whose concave and sieves are set by hand.
func showAdvice(w io.Writer, from, to uint64, bad, well, heavy, unmoved, byHand *coaching.Table) {
	all, r, h, n := bad.Of(""), bad.Rates(), heavy.Rates(), unmoved.Rates()
	fmt.Fprintf(w, "%d badly set machines, seeds %d to %d\n\n", all.Cases, from, to)
	bad.Write(w)
	fmt.Fprintf(w, "\nwithin %.0f h:                      %d of %d\n", coaching.ShiftH, all.WithinHours, all.Cases)
	fmt.Fprintf(w, "left worse:                       %d, of which %d with fewer levels over their targets than at first\n", all.Worse, all.FewerOver)
	fmt.Fprintf(w, "verdicts:                         %d, of which %d could not be judged\n", r.Judged, r.Unjudged)
	fmt.Fprintf(w, "changes of %d %% or more seen:      %d of %d, %d taken for the opposite, %d more put back for another level before\n", coaching.LargePct, r.Seen, r.Large, r.Against, r.Early)
	fmt.Fprintf(w, "  by a heavy-handed operator:     %d of %d, %d taken for the opposite, %d more put back for another level before\n", h.Seen, h.Large, h.Against, h.Early)
	fmt.Fprintf(w, "verdicts where nothing was moved: %d, of which %d said better or worse, of the symptom or of a side\n", n.Same, n.False)
	fmt.Fprintf(w, "\n%d well set machines\n\n", len(well.Sessions))
	well.Write(w)
	fmt.Fprintf(w, "\n%d badly set machines whose concave and sieves are set by hand with the machine stopped\n\n", len(byHand.Sessions))
	byHand.Write(w)
}
