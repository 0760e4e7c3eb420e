package find

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"chaffinch/canbus/decode"
)

// verdictWords begin the report.
var verdictWords = map[Verdict]string{
	Found:     "found",
	Ambiguous: "the signal is on this bus, but more than one field may be it",
	Unsure:    "not sure: a field that fits may do so by chance",
	Nothing:   "nothing fits",
}

// WriteText prints the result for a person.
func (r *Result) WriteText(w io.Writer) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "%s: %s\n", r.Signal, verdictWords[r.Verdict])
	fmt.Fprintf(b, "%d readings in steps of %s %s; %d frames of %d messages, %d fields tried\n",
		len(r.Used), short(r.Step), r.Unit, r.Frames, r.Kinds, r.Fields)
	fmt.Fprintf(b, "probability that none of them is the signal: %s\n", percent(r.None))
	if r.Verdict != Found && len(r.Best) > 0 {
		fmt.Fprintf(b, "fields that would fit as well as the first by chance alone: about %.2g\n", r.Chance)
	}
	if len(r.Best) > 0 && r.Verdict != Nothing {
		fmt.Fprintf(b, "\n  # probable  message           from  bits                    scale     offset   off by  note\n")
		for i := range r.Best {
			c := &r.Best[i]
			fmt.Fprintf(b, "%3d %8s  %-17s %4s  %-20s %10s %10s %8s  %s\n", i+1, percent(c.Probability), c.message(), c.from(),
				c.bits(), short(c.Scale), short(c.Offset), short(c.Worst), c.remark())
		}
	}
	for _, n := range r.Notes {
		fmt.Fprintf(b, "note: %s\n", n)
	}
	if r.More > 0 {
		fmt.Fprintf(b, "about %d more %s would settle it\n", r.More, plural(r.More, "reading"))
	}
	if r.Next != "" {
		fmt.Fprintf(b, "next: %s\n", r.Next)
	}
	if len(r.Best) > 0 && (r.Verdict == Found || r.Verdict == Ambiguous) {
		fmt.Fprintf(b, "\n%s", r.Best[0].MapText)
	}
	return b.Flush()
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

func percent(p float64) string {
	switch {
	case p > 0 && p < 0.0001:
		return fmt.Sprintf("%.0e", p)
	case p > 0.9999:
		return "99.99 %"
	case p < 0.01:
		return fmt.Sprintf("%.2f %%", 100*p)
	}
	return fmt.Sprintf("%.1f %%", 100*p)
}

func (c *Choice) message() string {
	text := fmt.Sprintf("id %03X", c.ID)
	if c.Source >= 0 {
		text = fmt.Sprintf("PGN %d", c.PGN)
	}
	if w := c.Map.When; w != nil {
		text += fmt.Sprintf(" [%X]", w.Equals)
	}
	return text
}

func (c *Choice) from() string {
	if c.Source < 0 {
		return "-"
	}
	return fmt.Sprintf("0x%02X", c.Source)
}

func (c *Choice) bits() string {
	sign := ""
	if c.Signed {
		sign = " signed"
	}
	return fmt.Sprintf("%d from %d %s%s", c.Length, c.StartBit, c.ByteOrder, sign)
}

func (c *Choice) remark() string {
	var parts []string
	if c.Round {
		parts = append(parts, "round")
	}
	if c.Known != "" {
		parts = append(parts, "standard: "+c.Known)
	}
	if c.Same > 0 {
		parts = append(parts, fmt.Sprintf("%d more alike", c.Same))
	}
	return strings.Join(parts, ", ")
}

// mapText prints a map as it stands in the configuration.
func mapText(m *decode.MapEntry) string {
	var b strings.Builder
	fmt.Fprintf(&b, "[[map]]\nsignal = %q\n", m.Signal)
	if m.PGN != nil {
		fmt.Fprintf(&b, "pgn = %d\n", *m.PGN)
	}
	if m.ID != nil {
		fmt.Fprintf(&b, "id = 0x%X\n", *m.ID)
	}
	if m.Source != nil {
		fmt.Fprintf(&b, "source = %d\n", *m.Source)
	}
	fmt.Fprintf(&b, "start_bit = %d\nlength = %d\nbyte_order = %q\nsigned = %t\nscale = %s\noffset = %s\n",
		m.StartBit, m.Length, m.ByteOrder, m.Signed, number(*m.Scale), number(m.Offset))
	if w := m.When; w != nil {
		fmt.Fprintf(&b, "when = { start_bit = %d, length = %d, equals = %d }\n", w.StartBit, w.Length, w.Equals)
	}
	return b.String()
}

// number prints a float so that TOML takes it for one.
func number(x float64) string {
	if x == math.Trunc(x) && math.Abs(x) < 1e15 {
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
