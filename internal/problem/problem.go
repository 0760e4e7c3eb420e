// Package problem is an error with words for the person who can mend it.
// It imports only the standard library and may be imported by every package.
package problem

import "strings"

// Problem says what is wrong, where, and what to do about it.
type Problem struct {
	Key  string // dotted path of a configuration key, such as "machine.cut_width_m"; may be empty
	What string // "cut_width_m is 0"
	Try  string // "give the width of the header in metres, such as 9.1"
	Err  error  // the cause, if there is one
}

// Error is the whole of it in one line.
func (p *Problem) Error() string {
	var b strings.Builder
	if p.Key != "" {
		b.WriteString(p.Key)
		b.WriteString(": ")
	}
	b.WriteString(p.What)
	if p.Err != nil {
		b.WriteString(": ")
		b.WriteString(p.Err.Error())
	}
	if p.Try != "" {
		b.WriteString("; ")
		b.WriteString(p.Try)
	}
	return b.String()
}

// Unwrap is the cause.
func (p *Problem) Unwrap() error { return p.Err }
