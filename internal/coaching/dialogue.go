package coaching

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// WriteDialogue prints a session as its operator would read it: '?' is asked,
// '>' is answered, '=' is a verdict, '.' is told.
func (s *Session) WriteDialogue(w io.Writer) {
	fmt.Fprintf(w, "%s, %s machine, %s\n\n", s.Scenario.Crop, s.Scenario.Machine, settingsText(s.Scenario.Settings))
	for _, l := range s.Lines {
		at := time.Duration(l.At).Truncate(time.Second)
		fmt.Fprintf(w, "%d:%02d:%02d %c %s\n", int(at.Hours()), int(at.Minutes())%60, int(at.Seconds())%60, l.Mark, l.Text)
	}
	fmt.Fprintf(w, "\nafter %.1f h: cost %.2f %% of the crop, %.2f %% at first, %.2f %% at best; over their targets: %s, at first: %s\n",
		s.SpentH, s.Ended.CostPct, s.Begun.CostPct, s.Best.CostPct, none(s.Over), none(s.OverAtFirst))
}

func none(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
