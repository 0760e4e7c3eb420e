package config

import (
	"errors"
	"fmt"
	"io"
)

// ErrMistakes is that a configuration has mistakes, which were written out.
var ErrMistakes = errors.New("the configuration has mistakes")

// Check reads a configuration file and writes every mistake in it, or that it
// is good and what it leaves open. The error is ErrMistakes if there are any,
// or that of w.
func Check(path string, w io.Writer) error {
	c, wrong := Load(path)
	out := &sticky{w: w}
	if len(wrong) > 0 {
		for _, err := range wrong {
			var m *Mistake
			if !errors.As(err, &m) {
				fmt.Fprintf(out, "%v\n", err)
				continue
			}
			show(out, m)
		}
		fmt.Fprintf(out, "%s: %s\n", path, count(len(wrong), "mistake"))
		return errors.Join(out.err, fmt.Errorf("%s: %w", path, ErrMistakes))
	}
	fmt.Fprintf(out, "%s: configuration is good\n", path)
	notes := append(c.Notes(), c.fileNotes()...)
	if len(notes) > 0 {
		fmt.Fprintf(out, "%s:\n", count(len(notes), "note"))
	}
	for _, n := range notes {
		fmt.Fprintf(out, "  %s: %s\n      %s\n", n.Key, n.What, n.Costs)
	}
	return out.err
}

// show writes a mistake for a person: where and what, the line, the remedy.
func show(w io.Writer, m *Mistake) {
	what := m.What
	if m.Err != nil {
		what += ": " + m.Err.Error()
	}
	fmt.Fprintf(w, "%s%s\n", m.place(), what)
	if m.Text != "" {
		fmt.Fprintf(w, "%6d | %s\n", m.Line, m.Text)
	}
	if m.Try != "" {
		fmt.Fprintf(w, "       > %s\n", m.Try)
	}
}

func count(n int, of string) string {
	if n == 1 {
		return "1 " + of
	}
	return fmt.Sprintf("%d %ss", n, of)
}

// sticky keeps the first error of a writer and writes nothing after it.
type sticky struct {
	w   io.Writer
	err error
}

func (s *sticky) Write(p []byte) (int, error) {
	if s.err == nil {
		_, s.err = s.w.Write(p)
	}
	return len(p), nil
}
