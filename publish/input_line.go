package publish

import (
	"encoding/json"
	"fmt"

	"chaffinch/canbus/signal"
)

// AppendInput appends an input with its time as a JSON line without a line end:
// what the script of a replay is made of. The time is null while the clock is
// unset.
func AppendInput(dst []byte, at signal.Instant, in *Input, times Clock) ([]byte, error) {
	body, err := json.Marshal(in)
	if err != nil {
		return dst, fmt.Errorf("publish: input: %w", err)
	}
	dst = append(dst, `{"time":`...)
	dst = appendDate(dst, times, at)
	dst = append(dst, ',')
	return append(dst, body[1:]...), nil
}
