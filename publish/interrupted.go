package publish

import (
	"encoding/json"
	"fmt"

	"chaffinch/canbus/signal"
)

// AppendInterrupted appends the message that ends an event which a run before
// left open: nobody watched when it ended, so the event's own "ended" stays
// null. Left is the payload of the newest message about it; seq, at and times
// are of this run.
func AppendInterrupted(dst []byte, seq uint64, at signal.Instant, left []byte, times Clock) ([]byte, error) {
	var was struct {
		Subject json.RawMessage `json:"subject"`
		Event   json.RawMessage `json:"event"`
	}
	if err := json.Unmarshal(left, &was); err != nil {
		return dst, fmt.Errorf("publish: message of an earlier run: %w", err)
	}
	if len(was.Event) == 0 || was.Event[0] != '{' {
		return dst, fmt.Errorf("publish: message of an earlier run has no event in it")
	}
	if len(was.Subject) == 0 {
		was.Subject = json.RawMessage(null)
	}
	dst = appendEnvelope(dst, 'm', seq, at, times)
	dst = append(dst, `,"phase":"ended","interrupted":true,"subject":`...)
	dst = append(dst, was.Subject...)
	dst = append(dst, `,"event":`...)
	dst = append(dst, was.Event...)
	return append(dst, '}'), nil
}
