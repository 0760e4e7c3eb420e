package store

import (
	"fmt"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
)

// Kind is what a record tells of. Each kind has a bucket of its own.
type Kind uint8

const (
	Event   Kind = iota // one phase of an event
	Prompt              // a prompt that opened or closed
	Check               // an operator's check: tank sample, ground count, returns sample
	Shift               // a shift's summary
	Pool                // a device descriptor pool; of each id the newest alone is kept
	History             // blocks of rows of 1 Hz; the only kind that may be lost, and the first to go
	Judged              // a verdict: whether a change helped
	Note                // a setting that was changed, targets, remarks: the day's journal
	Input               // what somebody told the program
	Memory              // what a part of the program remembers; of each id the newest alone is kept
	kindCount
)

// onlyNewest tells whether of each id of a kind the newest alone is kept. Such
// records are not sent and do not grow old.
func (k Kind) onlyNewest() bool { return k == Pool || k == Memory }

// String is the name of the kind's bucket.
func (k Kind) String() string {
	if k < kindCount {
		return bucketNames[k]
	}
	return "invalid"
}

// Limits of a record. What is longer is refused by Append and Put.
const (
	MaxID      = 255       // bytes
	MaxPayload = 60 * 1024 // bytes; a string of MQTT holds 65,535
	MaxPool    = 256 << 10 // bytes of a Pool or a Memory, which are not sent
)

// Record is one thing that is kept. The store does not look into Payload.
type Record struct {
	Key      Key // given by the store
	Kind     Kind
	ID       string          // of the event, prompt, check or shift; the same in all its phases
	Phase    detect.Phase    // of an event; of a shift Raised when it begins; other kinds: Ended
	Priority detect.Priority // decides what the outbox drops first
	At       signal.Instant  // when it happened
	Send     bool            // it goes to the outbox too
	Payload  []byte          // JSON
}

// active tells whether r leaves its event open.
func (r *Record) active() bool { return r.Kind == Event && r.Phase != detect.Ended }

func (r *Record) check() error {
	switch {
	case r.Kind >= kindCount:
		return fmt.Errorf("store: record %q: kind %d does not exist", r.ID, r.Kind)
	case len(r.ID) > MaxID || r.Kind == Event && r.ID == "":
		return fmt.Errorf("store: %s record: id of %d bytes; 1 to %d are allowed", r.Kind, len(r.ID), MaxID)
	case r.Kind.onlyNewest() && r.Send:
		return fmt.Errorf("store: record %q: a %s is not sent", r.ID, r.Kind)
	}
	most := MaxPayload
	if r.Kind.onlyNewest() {
		most = MaxPool
	}
	if len(r.Payload) > most {
		return fmt.Errorf("store: record %q: payload of %d bytes is over %d", r.ID, len(r.Payload), most)
	}
	return nil
}

const (
	flagSend         = 1
	recordHeaderSize = 12 // phase, priority, flags, At, length of ID
)

// payload of a record: phase, priority, flags, At, length of ID, ID, Payload.
func (r *Record) encode() []byte {
	b := r.header(make([]byte, 0, recordHeaderSize+len(r.ID)+len(r.Payload)))
	return append(b, r.Payload...)
}

func (r *Record) header(b []byte) []byte {
	var flags byte
	if r.Send {
		flags |= flagSend
	}
	b = append(b, byte(r.Phase), byte(r.Priority), flags)
	b = appendInstant(b, r.At)
	b = append(b, byte(len(r.ID)))
	return append(b, r.ID...)
}

// decodeRecord opens the envelope of a record. The result owns its memory.
func decodeRecord(key, value []byte) (Record, error) {
	t, p, err := unseal(key, value)
	if err != nil {
		return Record{}, err
	}
	k, ok := parseKey(key)
	if !ok || t < typeRecord || t >= typeRecord+valueType(kindCount) {
		return Record{}, errEnvelope
	}
	r, rest, ok := parseHeader(p)
	if !ok {
		return Record{}, errEnvelope
	}
	r.Key, r.Kind = k, Kind(t-typeRecord)
	r.Payload = append([]byte(nil), rest...)
	return r, nil
}

func parseHeader(p []byte) (r Record, rest []byte, ok bool) {
	if len(p) < recordHeaderSize || len(p) < recordHeaderSize+int(p[11]) {
		return Record{}, nil, false
	}
	end := recordHeaderSize + int(p[11])
	return Record{
		Phase:    detect.Phase(p[0]),
		Priority: detect.Priority(p[1]),
		Send:     p[2]&flagSend != 0,
		At:       parseInstant(p[3:]),
		ID:       string(p[recordHeaderSize:end]),
	}, p[end:], true
}
