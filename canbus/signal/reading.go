package signal

import "time"

// Quality tells whether a reading can be used, and if not, why not.
// The zero value is the honest one: nothing has been heard.
type Quality uint8

const (
	Missing      Quality = iota // never heard
	Good                        // usable
	NotAvailable                // the sender says: not fitted or not measured (SAE J1939-71)
	SensorError                 // the sender says: sensor or wiring fault (SAE J1939-71)
	OutOfRange                  // a reserved or physically impossible value
)

var qualityNames = [...]string{"missing", "good", "not-available", "error", "out-of-range"}

// String is the word that samples, JSON and MQTT use.
func (q Quality) String() string {
	if int(q) < len(qualityNames) {
		return qualityNames[q]
	}
	return "invalid"
}

// Source names who sent a reading: the interface, the J1939 source address,
// and the route by which it was understood.
type Source struct {
	Interface uint8 // index of the interface in its stream
	Address   uint8 // J1939 source address
	Route     Route // which message or map gave it
}

// Route is a small number for a message or a map entry that can give a
// signal. Package decode hands them out and knows their names.
type Route uint16

// Reading is a value that knows its age, its quality and its sender.
type Reading[U ~float64] struct {
	Value U
	At    Instant // when the frame that carried the value was received
	// Heard is when the value was last known to hold. It equals At for what is
	// sent periodically. A value that is sent only on change holds as long as
	// its sender is heard, and Heard follows the sender.
	Heard    Instant
	Quality  Quality
	OnChange bool // sent only on change: silent when its sender is
	From     Source
}

// Fresh returns the value if it is Good and was known to hold at most maxAge
// before now.
func (r Reading[U]) Fresh(now Instant, maxAge time.Duration) (U, bool) {
	if r.Quality != Good || now.Sub(r.Heard) > maxAge {
		return 0, false
	}
	return r.Value, true
}
