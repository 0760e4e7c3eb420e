package score

import (
	"fmt"
	"io"

	"chaffinch/canbus/virtual"
	"chaffinch/detect"
)

// List prints each alarm that is not in order, and each trouble that was not
// found, one a line behind a prefix.
func (c *Card) List(w io.Writer, prefix string, truth *virtual.Truth) {
	found := make([]bool, len(truth.Intervals))
	for i := range c.Judged {
		j := &c.Judged[i]
		switch j.Outcome {
		case Found, Late:
			found[j.Truth] = true
			if j.Outcome == Found {
				continue
			}
		case Doubtful:
			continue
		}
		fmt.Fprintf(w, "%s%s %s%s raised at %.1f s, began %.1f s\n", prefix, j.Outcome, j.Kind, of(j.Subject), j.Raised, j.Began)
	}
	for i := range truth.Intervals {
		if v := &truth.Intervals[i]; !found[i] && (c.Blinded == nil || !c.Blinded[i]) {
			fmt.Fprintf(w, "%smissed %s%s from %.1f s to %.1f s\n", prefix, v.Kind, of(v.Subject), v.Began, v.Ended)
		}
	}
}

func of(subject string) string {
	if subject == "" {
		return ""
	}
	return " of " + subject
}

// Complete adds a line for each kind of alarm that has none, so that a kind
// without any trouble or alarm is seen to be so. Those of the program's own
// health are left out: no log tells of them.
func (c *Card) Complete() {
	for _, k := range detect.Kinds() {
		if k.Speaks != detect.OfProgram {
			c.of(k.Name)
		}
	}
}
