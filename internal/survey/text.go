package survey

import (
	"fmt"
	"io"
	"strings"
)

const columns = 79

// shortLists is how much of a list is shown unless all of it is asked for.
const shortLists = 20

// Write prints the report for a terminal of 80 columns.
func (r *Report) Write(out io.Writer, all bool) error {
	w := &writer{w: out, all: all}
	w.wrap("", strings.Join(r.Verdict, " "))
	w.line("")
	w.wrap("", strings.Join(r.Able, " "))
	r.writeBus(w)
	r.writeSignals(w)
	r.writeMissing(w)
	r.writeAlarms(w)
	r.writeFaults(w)
	r.writeNodes(w)
	r.writeMessages(w)
	r.writeTasks(w)
	w.head("A CONFIGURATION TO BEGIN WITH")
	for line := range strings.SplitSeq(strings.TrimRight(r.Config, "\n"), "\n") {
		w.line("%s", line)
	}
	return w.err
}

// writer keeps the first error and knows how wide the terminal is.
type writer struct {
	w   io.Writer
	all bool
	err error
}

func (w *writer) line(format string, args ...any) {
	if _, err := fmt.Fprintln(w.w, strings.TrimRight(fmt.Sprintf(format, args...), " ")); err != nil && w.err == nil {
		w.err = err
	}
}

func (w *writer) head(text string) {
	w.line("")
	w.line("%s", text)
}

// cut says that the rest of a list is not shown.
func (w *writer) cut(i, n int) bool {
	if w.all || i < shortLists {
		return false
	}
	w.line("  … and %d more: --all shows them", n-i)
	return true
}

// wrap prints text behind a lead, broken at the last column and indented.
func (w *writer) wrap(lead, text string) {
	line := lead
	indent := strings.Repeat(" ", min(len([]rune(lead)), 27))
	fresh := true
	for _, word := range glued(text) {
		if !fresh && len([]rune(line))+1+len([]rune(word)) > columns {
			w.line("%s", line)
			line, fresh = indent, true
		}
		if !fresh {
			line += " "
		}
		line += word
		fresh = false
	}
	w.line("%s", short(line))
}

// glued are the words of a text, with a percent sign at its number.
func glued(text string) []string {
	words := strings.Fields(text)
	for i := len(words) - 1; i > 0; i-- {
		if strings.TrimRight(words[i], ",.;:)") == "%" {
			words[i-1] += " " + words[i]
			words = append(words[:i], words[i+1:]...)
		}
	}
	return words
}

// short cuts a line that is too wide.
func short(line string) string {
	if r := []rune(line); len(r) > columns {
		return string(r[:columns-1]) + "…"
	}
	return line
}
