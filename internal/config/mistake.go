package config

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"chaffinch/internal/problem"
)

// Mistake is a problem with its place in a file.
type Mistake struct {
	File string
	Line int    // from 1; 0 where it is no single line
	Text string // of the line, without what could be a secret
	problem.Problem
}

// Error is the whole of it in one line: where, what the line says, what is
// wrong with it, and what to do.
func (m *Mistake) Error() string {
	var b strings.Builder
	b.WriteString(m.place())
	if m.Text != "" {
		fmt.Fprintf(&b, "`%s`: ", m.Text)
	}
	b.WriteString(m.Problem.Error())
	return b.String()
}

// Unwrap is the problem itself.
func (m *Mistake) Unwrap() error { return &m.Problem }

func (m *Mistake) place() string {
	if m.Line == 0 {
		return m.File + ": "
	}
	return fmt.Sprintf("%s:%d: ", m.File, m.Line)
}

// maxText is how much of a line is repeated, in characters.
const maxText = 100

// userInfo is the part of an address in which people leave passwords.
var userInfo = regexp.MustCompile(`//[^"'/]*@`)

func (d *document) mistake(line int, p problem.Problem) *Mistake {
	p.Key, p.What, p.Try = clean(p.Key), clean(p.What), clean(p.Try)
	m := &Mistake{File: d.name, Line: line, Problem: p}
	if line > 0 && line <= len(d.lines) {
		m.Text = clean(strings.TrimSpace(d.lines[line-1]))
		if r := []rune(m.Text); len(r) > maxText {
			m.Text = string(r[:maxText]) + "..."
		}
	}
	return m
}

// clean makes text of a file fit to be shown on a line: no secrets, nothing
// that moves the cursor.
func clean(text string) string {
	text = userInfo.ReplaceAllString(text, "//...@")
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

// at gives a problem its place: the line of its key, or of the nearest table
// above it that stands in the file.
func (d *document) at(p *problem.Problem) *Mistake {
	for path := p.Key; path != ""; {
		if line := d.line[path]; line > 0 {
			return d.mistake(line, *p)
		}
		i := strings.LastIndexByte(path, '.')
		path = path[:max(i, 0)]
	}
	return d.mistake(0, *p)
}

// inOrder sorts mistakes as they stand in the file.
func inOrder(all []*Mistake) {
	slices.SortStableFunc(all, func(a, b *Mistake) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
}
