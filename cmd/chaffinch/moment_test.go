package main

import (
	"testing"
	"time"
)

func TestMoments(t *testing.T) {
	first := time.Date(2026, 7, 1, 23, 50, 10, 400_000_000, time.UTC)
	utc := moments{first.UnixNano(), time.UTC}
	east := moments{first.UnixNano(), time.FixedZone("", 2*3600)} // there it is 01:50:10 of the next day
	for _, c := range []struct {
		m    moments
		text string
		want time.Time
	}{
		{utc, "23:55:00", time.Date(2026, 7, 1, 23, 55, 0, 0, time.UTC)},
		{utc, "23:50:10", time.Date(2026, 7, 1, 23, 50, 10, 0, time.UTC)}, // the second in which the log begins
		{utc, "00:05:00.5", time.Date(2026, 7, 2, 0, 5, 0, 500_000_000, time.UTC)},
		{east, "01:55:00", time.Date(2026, 7, 1, 23, 55, 0, 0, time.UTC)},
		{east, "02:05:00", time.Date(2026, 7, 2, 0, 5, 0, 0, time.UTC)},
		{utc, "90.5", first.Add(90500 * time.Millisecond)},
		{utc, "2026-07-02T03:00:00+02:00", time.Date(2026, 7, 2, 1, 0, 0, 0, time.UTC)},
	} {
		if got, err := c.m.stamp(c.text); err != nil || got != c.want.UnixNano() {
			t.Errorf("%s: %v (%v), want %v", c.text, time.Unix(0, got).UTC(), err, c.want)
		}
	}
	for _, text := range []string{"", "noon", "25:00:00", "-3", "12:04"} {
		if _, err := utc.stamp(text); err == nil {
			t.Errorf("%q was taken for a time", text)
		}
	}
	for _, text := range []string{"12:00:00", "12:00:00=", "12:00:00=fast", "=3"} {
		if _, _, err := utc.reading(text); err == nil {
			t.Errorf("%q was taken for a reading", text)
		}
	}
}
