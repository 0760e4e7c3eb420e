package publish

import (
	"encoding/json"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect/shift"
)

// mostShift keeps a message within what a string of MQTT and the store hold.
const mostShift = 56 << 10

// AppendShiftMessage appends the payload of the topic shift: the envelope, the
// phase (shift.PhaseBegan or PhaseEnded), the dates of the first and the last work
// or null, and the shift. Of a shift with very many fields each field has its sums
// alone, then without what they rest on; and of more than fit the last are left out.
// Date gives the date of a moment, which may be of an earlier run.
func AppendShiftMessage(dst []byte, seq uint64, at signal.Instant, phase string, s *shift.Summary, date func(shift.Moment) (time.Time, bool), times Clock) ([]byte, error) {
	text, err := json.Marshal(s)
	for lean := s.Lean(); err == nil && len(text) > mostShift && len(lean.Fields) > 0; {
		if text, err = json.Marshal(lean); !lean.Shorten() {
			lean.Fields = lean.Fields[:len(lean.Fields)-1]
		}
	}
	if err != nil {
		return dst, err
	}
	dst = appendEnvelope(dst, 'm', seq, at, times)
	dst = append(dst, `,"phase":`...)
	dst = appendString(dst, phase)
	for _, m := range []struct {
		key string
		at  shift.Moment
	}{{`,"began":`, s.Began}, {`,"ended":`, s.Ended}} {
		dst = append(dst, m.key...)
		t, ok := date(m.at)
		dated := Clock{Wall: func(signal.Instant) (time.Time, bool) { return t, ok }}
		dst = appendDate(dst, dated, m.at.At)
	}
	dst = append(dst, `,"shift":`...)
	dst = append(dst, text...)
	return append(dst, '}'), nil
}
