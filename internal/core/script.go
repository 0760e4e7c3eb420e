package core

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"chaffinch/internal/problem"
	"chaffinch/publish"
)

// Script is what people told the program, with times, to be told again in
// replay: JSON lines of a time and an input.
//
//	{"time":"2026-07-28T10:15:00Z","answer":{"prompt":"p1-1","reply":"done"}}
//	{"time":1800.5,"check":{"tank":{"broken":"some"}}}
//
// A number is seconds from the first frame. Empty lines and lines that begin
// with # are passed over.
type Script []scripted

type scripted struct {
	at       int64 // stamp, or nanoseconds from the first frame
	fromHere bool
	input    publish.Input
}

// mostSeconds from the first frame: more than any log is long.
const mostSeconds = 1e8

// ReadScript reads a script. The first line that is wrong is an error that names
// it; name is that of the file.
func ReadScript(name string, r io.Reader) (Script, error) {
	var all Script
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, publish.MaxInput+1000)
	for n := 1; lines.Scan(); n++ {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		s, err := readScripted(line)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", name, n, err)
		}
		all = append(all, s)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return all, nil
}

func readScripted(line []byte) (scripted, error) {
	var s struct {
		Time json.RawMessage `json:"time"`
		publish.Input
	}
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return scripted{}, errors.New(strings.TrimPrefix(err.Error(), "json: "))
	}
	if err := s.Validate(); err != nil {
		return scripted{}, err
	}
	var seconds float64
	var date time.Time
	switch {
	case json.Unmarshal(s.Time, &seconds) == nil && string(s.Time) != "null" && seconds >= 0 && seconds < mostSeconds:
		return scripted{at: int64(seconds * 1e9), fromHere: true, input: s.Input}, nil
	case json.Unmarshal(s.Time, &date) == nil && date.Year() > 1970 && date.Year() < 2200:
		return scripted{at: date.UnixNano(), input: s.Input}, nil
	}
	return scripted{}, &problem.Problem{Key: "time", What: "there is no time", Try: "give a date such as 2026-07-28T10:15:00Z, or seconds from the start of the log"}
}

// Follow hands a script over, before the first frame. Refused is called for each
// input that is not taken, when its time has come; it may be nil.
func (c *Core) Follow(s Script, refused func(publish.Input, error)) {
	for _, one := range s {
		in := one.input
		c.wait(waiting{stamp: one.at, fromHere: one.fromHere, input: in, done: func(_ publish.Reply, err error) {
			if err != nil && refused != nil {
				refused(in, err)
			}
		}})
	}
}
