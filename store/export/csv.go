package export

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/machine"
	"chaffinch/store"
	"chaffinch/store/history"
)

// isoTime is RFC 3339 in UTC with milliseconds.
const isoTime = "2006-01-02T15:04:05.000Z"

// CSV writes the rows of a part (RFC 4180): the columns of the samples, and
// behind them the number of the shift, the run of the program, the seconds since
// it began, and where the date came from. Without a clock that could be trusted
// time is empty and clock is "unset". What is not known is empty.
func CSV(ctx context.Context, w io.Writer, s *Source, p Part) error {
	out := bufio.NewWriter(w)
	line := append([]byte(nil), "time,activity"...)
	for id := range signal.ID(signal.Count) {
		line = append(append(line, ','), id.String()...)
	}
	line = append(line, ",feed_rate_t_h,feed_rate_sd_t_h,fullness_pct,feed_basis,shift,boot,at_s,clock\r\n"...)
	for row, err := range s.Rows(p) {
		if err != nil {
			return err
		}
		if _, err := out.Write(line); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		line = s.appendRow(line[:0], row)
	}
	out.Write(line)
	return out.Flush()
}

func (s *Source) appendRow(dst []byte, row *history.Row) []byte {
	date, clock, known := s.Date(uint64(row.Boot), row.At)
	if known {
		dst = date.AppendFormat(dst, isoTime)
	}
	dst = append(append(dst, ','), row.Activity.String()...)
	for id := range signal.ID(signal.Count) {
		dst = append(dst, ',')
		if v, ok := row.Value(id); ok {
			dst = appendTrimmed(dst, v, id.Info().Decimals+1)
		}
	}
	feed := row.Feed
	dst = append(dst, ',')
	if feed.Basis != machine.NoFeed {
		dst = appendTrimmed(dst, float64(feed.Rate), 2)
		dst = append(dst, ',')
		dst = appendTrimmed(dst, float64(feed.SD), 2)
		dst = append(dst, ',')
		if feed.FullnessKnown {
			dst = appendTrimmed(dst, float64(feed.Fullness), 1)
		}
	} else {
		dst = append(dst, ",,"...)
	}
	dst = append(append(dst, ','), feed.Basis.String()...)
	dst = strconv.AppendUint(append(dst, ','), uint64(row.Shift), 10)
	dst = strconv.AppendUint(append(dst, ','), uint64(row.Boot), 10)
	dst = appendTrimmed(append(dst, ','), row.At.Seconds(), 3)
	dst = append(append(dst, ','), clock.String()...)
	return append(dst, "\r\n"...)
}

// appendTrimmed appends a number without trailing zeros.
func appendTrimmed(dst []byte, v float64, decimals int) []byte {
	scale := math.Pow10(decimals)
	v = math.Round(v*scale) / scale
	if v == 0 {
		v = 0 // no minus sign
	}
	return strconv.AppendFloat(dst, v, 'f', -1, 64)
}

// EventsCSV writes the alarms of a part, one a row (RFC 4180), in the order in
// which they ended.
func EventsCSV(ctx context.Context, w io.Writer, s *Source, p Part) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	out.Write([]string{"id", "kind", "subject", "priority", "activity", "began", "raised", "ended", "duration_s", "signal", "peak", "peak_unit",
		"evidence", "latitude", "longitude", "text", "boot", "at_s", "clock"})
	for e, err := range s.Events(p) {
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		peak, unit := "", ""
		if e.Peak != nil {
			peak, unit = number(&e.Peak.Value), e.Peak.Unit
		}
		if err := out.Write([]string{e.ID, e.Kind, text(e.Subject), e.Priority, e.Activity, date(e.Began), date(e.Raised), date(e.Ended), number(e.DurationS),
			text(e.Signal), peak, unit, evidence(e.Evidence), number(e.Latitude), number(e.Longitude), e.Text,
			strconv.FormatUint(uint64(e.First.Key.Boot), 10), string(appendTrimmed(nil, e.First.At.Seconds(), 3)), clock(&e.First)}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// evidence is "name=value; name=value", by name.
func evidence(facts map[string]float64) string {
	all := []string{}
	for _, name := range slices.Sorted(maps.Keys(facts)) {
		v := facts[name]
		all = append(all, fmt.Sprintf("%s=%s", name, number(&v)))
	}
	return strings.Join(all, "; ")
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func number(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func date(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.UTC().Format(isoTime)
}

// clock is where the date of a record came from.
func clock(r *Record) string {
	if r.Date.IsZero() {
		return store.UnsetClock.String()
	}
	return r.Clock.String()
}
