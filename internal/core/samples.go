package core

import (
	"bufio"
	"io"
	"math"
	"strconv"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
)

// Samples writes one CSV row a second (RFC 4180): time, activity, every
// signal, and the feed. A value that is not known is empty.
type Samples struct {
	w    *bufio.Writer
	wall func(signal.Instant) (time.Time, bool)
	row  []byte
}

// NewSamples writes the header line to w.
func NewSamples(w io.Writer, wall func(signal.Instant) (time.Time, bool)) *Samples {
	s := &Samples{w: bufio.NewWriter(w), wall: wall}
	s.w.WriteString("time,activity")
	for id := range signal.ID(signal.Count) {
		s.w.WriteString("," + id.String())
	}
	s.w.WriteString(",feed_rate_t_h,feed_rate_sd_t_h,fullness_pct,feed_basis\r\n")
	return s
}

// State takes each step and writes a row at each full second of event time.
func (s *Samples) State(st *machine.State) {
	if st.Now%signal.Instant(time.Second) != 0 {
		return
	}
	row := s.row[:0]
	if t, ok := s.wall(st.Now); ok {
		row = t.UTC().AppendFormat(row, "2006-01-02T15:04:05.000Z")
	}
	row = append(row, ',')
	row = append(row, st.Activity.String()...)
	for id := range signal.ID(signal.Count) {
		row = append(row, ',')
		if v, ok := st.Signals.Fresh(id, st.Now); ok {
			row = appendTrimmed(row, v, id.Info().Decimals+1)
		}
	}
	row = append(row, ',')
	known := st.Feed.Basis != machine.NoFeed
	if known {
		row = appendTrimmed(row, float64(st.Feed.Rate), 2)
	}
	row = append(row, ',')
	if known {
		row = appendTrimmed(row, float64(st.Feed.SD), 2)
	}
	row = append(row, ',')
	if known && st.Feed.FullnessKnown {
		row = appendTrimmed(row, float64(st.Feed.Fullness), 1)
	}
	row = append(row, ',')
	row = append(row, st.Feed.Basis.String()...)
	row = append(row, "\r\n"...)
	s.w.Write(row)
	s.row = row
}

// Close flushes, and returns the first error of all writes.
func (s *Samples) Close() error { return s.w.Flush() }

// appendTrimmed appends a number without trailing zeros.
func appendTrimmed(b []byte, v float64, decimals int) []byte {
	scale := math.Pow10(decimals)
	v = math.Round(v*scale) / scale
	if v == 0 {
		v = 0 // no minus sign
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}
