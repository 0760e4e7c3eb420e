package publish

import (
	"math"
	"strconv"
	"unicode/utf8"

	"chaffinch/canbus/signal"
)

// The objects are appended by hand and not marshalled: the order of keys is
// promised, and numbers carry only the digits that they deserve.

const null = "null"

// appendString appends s as a JSON string (RFC 8259). Bytes that are not
// UTF-8 become the replacement character.
func appendString(dst []byte, s string) []byte {
	const hex = "0123456789abcdef"
	dst = append(dst, '"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			dst = append(dst, '\\', byte(r))
		case r < 0x20 || r == 0x7F:
			dst = append(dst, '\\', 'u', '0', '0', hex[r>>4], hex[r&15])
		default:
			dst = utf8.AppendRune(dst, r)
		}
	}
	return append(dst, '"')
}

// appendStringOrNull appends null for the empty string.
func appendStringOrNull(dst []byte, s string) []byte {
	if s == "" {
		return append(dst, null...)
	}
	return appendString(dst, s)
}

// appendNumber appends v with the given digits after the point, and null for
// what is not a number.
func appendNumber(dst []byte, v float64, decimals int) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(dst, null...)
	}
	start := len(dst)
	dst = strconv.AppendFloat(dst, v, 'f', decimals, 64)
	if dst[start] == '-' && isZero(dst[start+1:]) {
		dst = append(dst[:start], dst[start+1:]...) // -0 is 0
	}
	return dst
}

func isZero(digits []byte) bool {
	for _, c := range digits {
		if c != '0' && c != '.' {
			return false
		}
	}
	return true
}

// appendDate appends an RFC 3339 date in UTC with milliseconds, or null while
// the date is not known: a wrong one would look like a right one.
func appendDate(dst []byte, c Clock, at signal.Instant) []byte {
	t, ok := c.date(at)
	if !ok {
		return append(dst, null...)
	}
	return t.AppendFormat(append(dst, '"'), `2006-01-02T15:04:05.000Z"`)
}

// decimalsOf is how many digits after the point a named value deserves.
func decimalsOf(name string) int {
	if id, ok := signal.ByName(name); ok {
		return id.Info().Decimals
	}
	switch name {
	case "fullness_pct", "spn", "fmi", "source_address", "occurrence_count":
		return 0
	case "feed_rate_t_h", "feed_rate_sd_t_h":
		return 1
	}
	return 1
}
