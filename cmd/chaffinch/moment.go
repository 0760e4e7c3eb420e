package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// moments turns what a person writes for a time into a log's stamps.
type moments struct {
	first int64          // stamp of the log's first frame
	zone  *time.Location // of times without one
}

// stamp reads "12:04:10" or "12:04:10.5" (a time of the day on which the log
// begins, or of the next one if it was earlier than the log's first frame), a
// date and time as RFC 3339, or seconds from the log's start such as "754.5".
func (m moments) stamp(text string) (int64, error) {
	if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
		return t.UnixNano(), nil
	}
	if s, err := strconv.ParseFloat(text, 64); err == nil && s >= 0 && s < 1e7 {
		return m.first + int64(s*1e9), nil
	}
	clock, err := time.Parse("15:04:05.999999999", text)
	if err != nil {
		return 0, fmt.Errorf("%q is no time; write 12:04:10, seconds from the start of the log, or 2026-07-01T12:04:10Z", text)
	}
	begin := time.Unix(0, m.first).In(m.zone)
	at := time.Date(begin.Year(), begin.Month(), begin.Day(), clock.Hour(), clock.Minute(), clock.Second(), clock.Nanosecond(), m.zone)
	if at.Before(begin.Truncate(time.Second)) {
		at = at.AddDate(0, 0, 1)
	}
	return at.UnixNano(), nil
}

// reading reads "TIME=VALUE".
func (m moments) reading(text string) (stamp int64, value float64, err error) {
	when, what, ok := strings.Cut(text, "=")
	if !ok {
		return 0, 0, fmt.Errorf("%q is no reading; write TIME=VALUE such as 12:04:10=820", text)
	}
	if stamp, err = m.stamp(strings.TrimSpace(when)); err != nil {
		return 0, 0, err
	}
	value, err = displayed(what)
	return stamp, value, err
}

// displayed is the number that a display said, with a point or a comma.
func displayed(text string) (float64, error) {
	text = strings.TrimSpace(text)
	value, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", "."), 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return value, nil
}
