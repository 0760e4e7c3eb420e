package detect

import (
	"fmt"
	"time"
)

// Duration is a time in the configuration, written as "0.5s", "30s" or "2m".
type Duration time.Duration

// UnmarshalText reads it as time.ParseDuration does.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("%q is no length of time; write it as \"30s\" or \"2m\"", text)
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes it as time.Duration does.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// String is the same text.
func (d Duration) String() string { return time.Duration(d).String() }

func (d Duration) get() time.Duration { return time.Duration(d) }
